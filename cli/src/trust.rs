//! Whose certificates this device believes: the ordinary roots, and the authority that the firm
//! named for its hub. Turns what is wrong with a certificate into one sentence and what to do.

use std::path::Path;

use rustls::CertificateError;
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;
use ureq::tls::{Certificate, RootCerts, TlsConfig};

use crate::error::{Error, Kind};

/// A firm's own authority, as a PEM text that names at least one certificate.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Authority(String);

impl Authority {
    /// Reads the file that was named with `--ca`.
    pub fn of_file(path: &Path) -> Result<Self, Error> {
        let wrong = |why: String| {
            Error::input(format!("{} is no authority's file: {why}", path.display()))
                .field("ca")
                .hint("name the certificate, in PEM, of whoever vouches for the hub's.")
        };
        let text = std::fs::read_to_string(path).map_err(|error| wrong(error.to_string()))?;
        let authority = Self(text);
        if authority.certificates().is_empty() {
            return Err(wrong("it holds no certificate in PEM".to_owned()));
        }
        Ok(authority)
    }

    /// Takes the text that a store kept.
    pub const fn of_kept(text: String) -> Self {
        Self(text)
    }

    /// Returns the text to keep.
    pub fn kept(&self) -> &str {
        &self.0
    }

    fn certificates(&self) -> Vec<CertificateDer<'static>> {
        let read = CertificateDer::pem_slice_iter(self.0.as_bytes());
        read.collect::<Result<_, _>>().unwrap_or_default()
    }
}

/// Returns how to speak TLS: as the ordinary roots and this authority vouch.
pub fn tls(authority: Option<&Authority>) -> TlsConfig {
    let Some(authority) = authority else {
        return TlsConfig::default();
    };
    let own = authority.certificates();
    let roots = webpki_root_certs::TLS_SERVER_ROOT_CERTS.iter().chain(&own);
    let roots: Vec<_> = roots
        .map(|der| Certificate::from_der(der).to_owned())
        .collect();
    TlsConfig::builder()
        .root_certs(RootCerts::from(roots))
        .build()
}

/// Says what is wrong where TLS did not come about; none where it is something else.
pub fn not_trusted(url: &str, error: &ureq::Error) -> Option<Error> {
    let cause = match error {
        ureq::Error::Rustls(cause) => cause,
        ureq::Error::Io(error) => error.get_ref()?.downcast_ref::<rustls::Error>()?,
        _ => return None,
    };
    let (what, hint) = match cause {
        rustls::Error::InvalidCertificate(wrong) => certificate_words(wrong),
        rustls::Error::InvalidMessage(_) => (
            "what answers there does not speak TLS".to_owned(),
            "if the hub has no certificate, its address begins with http://.",
        ),
        other => (
            format!("no TLS came of it: {other}"),
            "see that hub and headwalk are of one version.",
        ),
    };
    let message = format!("the hub at {url} is not trusted, and nothing was sent: {what}");
    Some(Error::new(Kind::Refused, message).hint(hint))
}

fn certificate_words(wrong: &CertificateError) -> (String, &'static str) {
    use CertificateError as E;
    match wrong {
        E::Expired | E::ExpiredContext { .. } => (
            "its certificate has expired".to_owned(),
            "see that this device's date is right; else whoever runs the hub gives it a new \
             certificate.",
        ),
        E::NotValidYet | E::NotValidYetContext { .. } => (
            "its certificate is not valid yet".to_owned(),
            "see that this device's date is right.",
        ),
        E::NotValidForName | E::NotValidForNameContext { .. } => (
            "its certificate is for another name".to_owned(),
            "use the address that the dispatcher gave, letter by letter; its name must be in the \
             certificate.",
        ),
        // An authority that was made anew under its old name signs otherwise than the one known.
        E::UnknownIssuer | E::BadSignature => (
            "nobody that this device knows vouches for its certificate".to_owned(),
            "if the firm has an authority of its own, name its certificate with --ca FILE; else \
             this is not the office's hub.",
        ),
        other => (
            format!("its certificate cannot be used: {other}"),
            "whoever runs the hub gives it another certificate.",
        ),
    }
}
