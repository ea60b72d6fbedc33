//! What a connection runs through: nothing, or TLS with the certificate that the hub was given.
//! The hub makes no certificates and asks nobody for one. Start at [`Wire::tls`].

use std::path::Path;
use std::sync::Arc;

use rustls::ServerConfig;
use rustls::crypto::ring;
use rustls::pki_types::pem::{self, PemObject};
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use tokio_rustls::TlsAcceptor;

use crate::error::Error;

/// What connections run through.
#[derive(Clone)]
pub enum Wire {
    /// In the clear: on this machine, or where the hub was told so in words.
    Clear,
    /// TLS.
    Tls(TlsAcceptor),
}

impl Wire {
    /// Reads a certificate, with those that vouch for it after it, and its key, from PEM files.
    ///
    /// # Errors
    /// [`Error::Certificate`] where a file cannot be read, holds nothing of the sort, or the two do
    /// not belong together.
    pub fn tls(certificate: &Path, key: &Path) -> Result<Self, Error> {
        let wrong = |file: &Path, why: String| Error::Certificate {
            file: file.to_owned(),
            why,
        };
        let chain = CertificateDer::pem_file_iter(certificate)
            .and_then(Iterator::collect::<Result<Vec<_>, _>>)
            .map_err(|error| wrong(certificate, pem_words(&error)))?;
        if chain.is_empty() {
            return Err(wrong(certificate, "it holds no certificate".to_owned()));
        }
        let secret =
            PrivateKeyDer::from_pem_file(key).map_err(|error| wrong(key, pem_words(&error)))?;
        let config = ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
            .with_safe_default_protocol_versions()
            .expect("the provider has the usual versions")
            .with_no_client_auth()
            .with_single_cert(chain, secret)
            .map_err(|error| wrong(key, error.to_string()))?;
        Ok(Self::Tls(TlsAcceptor::from(Arc::new(config))))
    }

    /// Returns what an address begins with.
    pub const fn scheme(&self) -> &'static str {
        match self {
            Self::Clear => "http://",
            Self::Tls(_) => "https://",
        }
    }
}

/// Says what is wrong with a PEM file, and never what is in it.
fn pem_words(error: &pem::Error) -> String {
    match error {
        pem::Error::Io(cause) => cause.to_string(),
        pem::Error::NoItemsFound => "it holds nothing of the sort in PEM".to_owned(),
        _ => "it is not PEM".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    #[test]
    fn files_that_are_none_or_do_not_belong_together_are_named() {
        let folder = tempfile::tempdir().unwrap();
        let made = || rcgen::generate_simple_self_signed(["hub.example".to_owned()]).unwrap();
        let write = |name: &str, text: &str| {
            let path = folder.path().join(name);
            fs::write(&path, text).unwrap();
            path
        };
        let (one, other) = (made(), made());
        let certificate = write("hub.pem", &one.cert.pem());
        let key = write("hub.key", &one.signing_key.serialize_pem());
        let others = write("other.key", &other.signing_key.serialize_pem());
        let text = write("notes.txt", "no certificate");
        let check = |certificate: &Path, key: &Path, named: &Path| match Wire::tls(certificate, key)
        {
            Err(Error::Certificate { file, why }) => {
                assert_eq!(file, named, "{why}");
                assert!(!why.is_empty());
            }
            _ => panic!("{} and {} were taken", certificate.display(), key.display()),
        };
        assert!(Wire::tls(&certificate, &key).is_ok());
        check(&certificate, &others, &others);
        check(&text, &key, &text);
        check(&certificate, &text, &text);
        let gone = folder.path().join("gone.pem");
        check(&gone, &key, &gone);
    }
}
