//! Two devices that meet on one network, without a hub: one listens for one exchange, the other
//! calls.
//!
//! The line is TLS with a certificate of the moment, which proves nothing by itself. The one-time
//! code does: each side shows that it knows the code and that it is at the end of this very line
//! (RFC 5705 keying material, hashed with the code as key), so that nobody can stand between. A
//! stranger has three guesses at 50 random bits.

use std::io::{self, ErrorKind, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::Arc;
use std::time::{Duration, Instant};

use headwalk_core::exchange::message::{MAX_PARCEL_BYTES, Parcel};
use headwalk_core::exchange::session::{Answering, Summary, answer};
use headwalk_core::log::id::StoreId;
use headwalk_core::store::Store;
use headwalk_sync_server::secret::Code;
use rustls::client::danger::{HandshakeSignatureValid, ServerCertVerified, ServerCertVerifier};
use rustls::crypto::{CryptoProvider, ring};
use rustls::pki_types::{CertificateDer, PrivateKeyDer, ServerName, UnixTime};
use rustls::{
    ClientConfig, ClientConnection, DigitallySignedStruct, ServerConfig, ServerConnection,
    SignatureScheme, StreamOwned, version,
};

use crate::call::Call;
use crate::error::{Error, Kind};

/// How long the one who listens waits for the other.
const WAITING: Duration = Duration::from_secs(10 * 60);
/// How long either waits for the other's next word.
const WORD: Duration = Duration::from_secs(30);
/// How many wrong codes end the waiting.
const GUESSES: u32 = 3;
const BETWEEN_LOOKS: Duration = Duration::from_millis(20);
const LINE: &[u8] = b"EXPORTER-headwalk-meeting-1";
/// A proof, and the id of the store that proves.
const HELLO_BYTES: usize = 48;

/// Who proves that they know the code.
#[derive(Clone, Copy)]
enum Side {
    Caller,
    Listener,
}

/// What a meeting came to for the one who listened.
pub struct Listened {
    /// Entries that this store came to hold.
    pub received: u64,
    /// Entries that went to the other.
    pub sent: u64,
    /// Answers given.
    pub round_trips: u32,
    /// Who called.
    pub from: SocketAddr,
}

/// Waits for one exchange, and answers it. `waiting` is told where and with which code.
pub fn listen(
    store: &Store,
    address: SocketAddr,
    call: &Call,
    waiting: impl FnOnce(SocketAddr, &Code) -> Result<(), Error>,
) -> Result<Listened, Error> {
    let code = Code::from_chance(crate::edge::chance()?);
    let config = Arc::new(of_the_moment()?);
    let listener = TcpListener::bind(address).map_err(|error| cannot_listen(address, &error))?;
    let address = listener
        .local_addr()
        .map_err(|error| cannot_listen(address, &error))?;
    listener
        .set_nonblocking(true)
        .map_err(|error| broken(&error))?;
    waiting(address, &code)?;
    let (began, mut wrong) = (Instant::now(), 0);
    while began.elapsed() < WAITING {
        let (stream, from) = match listener.accept() {
            Ok(accepted) => accepted,
            Err(error) if error.kind() == ErrorKind::WouldBlock => {
                std::thread::sleep(BETWEEN_LOOKS);
                continue;
            }
            Err(error) => return Err(broken(&error)),
        };
        // Whoever does not speak like one of us costs nothing but their own line.
        match greeted(stream, &config, &code, store.id()) {
            Ok(Some(line)) => return answered(line, store, from, call),
            Ok(None) => wrong += 1,
            Err(_stranger) => {}
        }
        if wrong >= GUESSES {
            return Err(Error::new(
                Kind::Refused,
                "three wrong codes came: nothing was exchanged",
            )
            .hint("begin again: there is a new code each time."));
        }
    }
    Err(Error::new(
        Kind::Machine,
        "nobody called within ten minutes: nothing was exchanged",
    )
    .hint("see that both are on one network, and begin again."))
}

type ListenersLine = StreamOwned<ServerConnection, TcpStream>;

/// Greets whoever called; none where their code is wrong.
fn greeted(
    stream: TcpStream,
    config: &Arc<ServerConfig>,
    code: &Code,
    own: StoreId,
) -> io::Result<Option<ListenersLine>> {
    patient(&stream)?;
    let server = ServerConnection::new(Arc::clone(config)).map_err(io::Error::other)?;
    let mut line = StreamOwned::new(server, stream);
    let hello = read_frame(&mut line, HELLO_BYTES)?;
    let keys = line.conn.export_keying_material([0; 32], LINE, None);
    let keys = keys.map_err(io::Error::other)?;
    let right = proof(code, &keys, Side::Caller);
    let shown = hello.first_chunk::<32>();
    // Compared in constant time, as hashes of that crate are.
    if shown.is_none_or(|shown| blake3::Hash::from_bytes(*shown) != right) {
        write_frame(&mut line, &[])?;
        return Ok(None);
    }
    let proof = proof(code, &keys, Side::Listener);
    write_frame(
        &mut line,
        &[proof.as_bytes().as_slice(), own.bytes()].concat(),
    )?;
    Ok(Some(line))
}

fn answered(
    mut line: ListenersLine,
    store: &Store,
    from: SocketAddr,
    call: &Call,
) -> Result<Listened, Error> {
    let count = || -> Result<u64, Error> {
        let each = store.logbooks()?.into_iter();
        each.map(|logbook| Ok(store.vector(logbook)?.entries()))
            .sum()
    };
    let before = count()?;
    let (mut sent, mut round_trips) = (0, 0);
    loop {
        let bytes = read_frame(&mut line, MAX_PARCEL_BYTES).map_err(|error| broken(&error))?;
        if bytes.is_empty() {
            break; // the caller has nothing left to say
        }
        let parcel = Parcel::from_bytes(&bytes)?;
        let reply = answer(store, &parcel, &Answering::as_peer(), call.now().wall)?;
        sent += super::entries_in(&reply);
        round_trips += 1;
        write_frame(&mut line, &reply.to_bytes()).map_err(|error| broken(&error))?;
    }
    Ok(Listened {
        received: count()? - before,
        sent,
        round_trips,
        from,
    })
}

/// Calls the one who listens, and exchanges.
pub fn call(store: &Store, address: SocketAddr, code: &str, call: &Call) -> Result<Summary, Error> {
    let code = Code::parse(code).ok_or_else(|| {
        Error::input("that is not a code: a code has ten letters and digits")
            .field("code")
            .hint("type it again, like 4H7QX-2MK9R.")
    })?;
    let stream = TcpStream::connect_timeout(&address, WORD).map_err(|error| {
        Error::new(
            Kind::Machine,
            format!("nobody listens at {address}: {error}"),
        )
        .hint("`headwalk exchange --listen` there first, on the same network.")
    })?;
    patient(&stream).map_err(|error| broken(&error))?;
    let name = ServerName::try_from("headwalk").expect("it is a name");
    let client = ClientConnection::new(Arc::new(anyone()), name);
    let client = client.map_err(|error| broken(&io::Error::other(error)))?;
    let mut line = StreamOwned::new(client, stream);
    let peer = introduced(&mut line, &code, store.id()).map_err(|error| broken(&error))?;
    let peer = peer.ok_or_else(|| {
        Error::new(Kind::Refused, "the other device does not take that code")
            .field("code")
            .hint("type it again; after three wrong ones the other begins anew, with a new code.")
    })?;
    let (line, now) = (std::cell::RefCell::new(line), || call.now().wall);
    let summary = super::carried(store, peer, now, |parcel| {
        let mut line = line.borrow_mut();
        let said = write_frame(&mut *line, &parcel.to_bytes());
        let heard = said.and_then(|()| read_frame(&mut *line, MAX_PARCEL_BYTES));
        Ok(Parcel::from_bytes(&heard.map_err(|error| broken(&error))?)?)
    })?;
    // The exchange is done either way; the other would only wait for a word more.
    let _told = write_frame(&mut *line.borrow_mut(), &[]);
    Ok(summary)
}

/// Shows that this side knows the code, and has the other show it; none where either does not.
fn introduced(
    line: &mut StreamOwned<ClientConnection, TcpStream>,
    code: &Code,
    own: StoreId,
) -> io::Result<Option<StoreId>> {
    while line.conn.is_handshaking() {
        line.conn.complete_io(&mut line.sock)?;
    }
    let keys = line.conn.export_keying_material([0; 32], LINE, None);
    let keys = keys.map_err(io::Error::other)?;
    let shown = proof(code, &keys, Side::Caller);
    write_frame(line, &[shown.as_bytes().as_slice(), own.bytes()].concat())?;
    let hello = read_frame(line, HELLO_BYTES)?;
    let right = proof(code, &keys, Side::Listener);
    let Some((shown, store)) = hello.split_first_chunk::<32>() else {
        return Ok(None);
    };
    let store = store.first_chunk::<16>().map(|id| StoreId::from_bytes(*id));
    Ok(store.filter(|_| blake3::Hash::from_bytes(*shown) == right))
}

fn proof(code: &Code, keys: &[u8; 32], side: Side) -> blake3::Hash {
    let side = match side {
        Side::Caller => b'c',
        Side::Listener => b'l',
    };
    blake3::keyed_hash(code.digest().bytes(), &[keys.as_slice(), &[side]].concat())
}

fn patient(stream: &TcpStream) -> io::Result<()> {
    stream.set_nonblocking(false)?;
    stream.set_nodelay(true)?;
    stream.set_read_timeout(Some(WORD))?;
    stream.set_write_timeout(Some(WORD))
}

fn write_frame(line: &mut impl Write, bytes: &[u8]) -> io::Result<()> {
    let length = u32::try_from(bytes.len()).map_err(io::Error::other)?;
    line.write_all(&length.to_be_bytes())?;
    line.write_all(bytes)?;
    line.flush()
}

fn read_frame(line: &mut impl Read, most: usize) -> io::Result<Vec<u8>> {
    let mut length = [0; 4];
    line.read_exact(&mut length)?;
    let length = u32::from_be_bytes(length) as usize;
    if length > most {
        return Err(io::Error::other("it is larger than it may be"));
    }
    let mut bytes = vec![0; length];
    line.read_exact(&mut bytes)?;
    Ok(bytes)
}

fn provider() -> Arc<CryptoProvider> {
    Arc::new(ring::default_provider())
}

/// A listener's side, with a certificate made for this meeting.
fn of_the_moment() -> Result<ServerConfig, Error> {
    let bug = |error: String| Error::new(Kind::Bug, error);
    let made = rcgen::generate_simple_self_signed(["headwalk".to_owned()]);
    let made = made.map_err(|error| bug(error.to_string()))?;
    let key = PrivateKeyDer::try_from(made.signing_key.serialize_der());
    let key = key.map_err(|error| bug(error.to_owned()))?;
    ServerConfig::builder_with_provider(provider())
        .with_protocol_versions(&[&version::TLS13])
        .expect("the provider has TLS 1.3")
        .with_no_client_auth()
        .with_single_cert(vec![made.cert.der().clone()], key)
        .map_err(|error| bug(error.to_string()))
}

/// A caller's side, which takes any certificate: the code says who it is.
fn anyone() -> ClientConfig {
    ClientConfig::builder_with_provider(provider())
        .with_protocol_versions(&[&version::TLS13])
        .expect("the provider has TLS 1.3")
        .dangerous()
        .with_custom_certificate_verifier(Arc::new(Anyone(provider())))
        .with_no_client_auth()
}

#[derive(Debug)]
struct Anyone(Arc<CryptoProvider>);

impl ServerCertVerifier for Anyone {
    fn verify_server_cert(
        &self,
        _: &CertificateDer<'_>,
        _: &[CertificateDer<'_>],
        _: &ServerName<'_>,
        _: &[u8],
        _: UnixTime,
    ) -> Result<ServerCertVerified, rustls::Error> {
        Ok(ServerCertVerified::assertion())
    }

    fn verify_tls12_signature(
        &self,
        _: &[u8],
        _: &CertificateDer<'_>,
        _: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        Err(rustls::Error::General(
            "only TLS 1.3 is spoken here".to_owned(),
        ))
    }

    fn verify_tls13_signature(
        &self,
        message: &[u8],
        certificate: &CertificateDer<'_>,
        signed: &DigitallySignedStruct,
    ) -> Result<HandshakeSignatureValid, rustls::Error> {
        let known = &self.0.signature_verification_algorithms;
        rustls::crypto::verify_tls13_signature(message, certificate, signed, known)
    }

    fn supported_verify_schemes(&self) -> Vec<SignatureScheme> {
        self.0.signature_verification_algorithms.supported_schemes()
    }
}

fn cannot_listen(address: SocketAddr, cause: &io::Error) -> Error {
    Error::new(
        Kind::Machine,
        format!("{address} cannot be listened on: {cause}"),
    )
    .hint("name this device's own address on the network, such as 192.168.1.20:7010.")
}

fn broken(cause: &io::Error) -> Error {
    let message = format!("the line to the other device broke: {cause}");
    Error::new(Kind::Machine, message)
        .hint("nothing is lost: begin again, and what was exchanged is not sent again.")
}
