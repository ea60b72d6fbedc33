//! One-time codes, tokens and sessions: how they are made, read and kept. Only their digests are stored.

use core::fmt;

use subtle::ConstantTimeEq;

/// 32 signs without I, L, O and U: each is five bits, and what a glove or an eye takes for a 0 or
/// a 1 is read as one.
const SIGNS: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";
const CODE_SIGNS: usize = 10;

const CODE_CONTEXT: &str = "headwalk 2026 one-time code v1";
const TOKEN_CONTEXT: &str = "headwalk 2026 device token v1";
const SESSION_CONTEXT: &str = "headwalk 2026 page session v1";
const FORM_CONTEXT: &str = "headwalk 2026 form of a session v1";

/// A one-time code: 50 random bits as ten signs in two groups, short enough to type with gloves.
/// It is safe at that length because it lives for hours, works once, and guesses are counted.
#[derive(Clone, PartialEq, Eq)]
pub struct Code([u8; CODE_SIGNS]);

impl Code {
    /// Makes a code from chance: five bits of each byte.
    pub fn from_chance(chance: [u8; CODE_SIGNS]) -> Self {
        Self(chance.map(|byte| SIGNS[usize::from(byte & 31)]))
    }

    /// Reads a code as a person typed it: groups, spaces and small letters do not matter.
    pub fn parse(text: &str) -> Option<Self> {
        let mut signs = [0; CODE_SIGNS];
        let mut places = signs.iter_mut();
        for sign in text.bytes().filter(|sign| !matches!(sign, b'-' | b' ')) {
            let sign = match sign.to_ascii_uppercase() {
                b'O' => b'0',
                b'I' | b'L' => b'1',
                other => other,
            };
            if !SIGNS.contains(&sign) {
                return None;
            }
            *places.next()? = sign;
        }
        places.next().is_none().then_some(Self(signs))
    }

    /// Returns what is stored of the code.
    pub fn digest(&self) -> Digest {
        Digest(blake3::derive_key(CODE_CONTEXT, &self.0))
    }
}

impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let text = core::str::from_utf8(&self.0).expect("the signs are ASCII");
        let (first, second) = text.split_at(CODE_SIGNS / 2);
        write!(f, "{first}-{second}")
    }
}

impl fmt::Debug for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Code(kept secret)")
    }
}

/// A device's token: 256 random bits, written as 64 hexadecimal digits.
#[derive(Clone, PartialEq, Eq)]
pub struct Token([u8; 32]);

impl Token {
    /// Makes a token from chance.
    pub const fn from_chance(chance: [u8; 32]) -> Self {
        Self(chance)
    }

    /// Reads a token from its 64 hexadecimal digits.
    pub fn parse(text: &str) -> Option<Self> {
        let hash = blake3::Hash::from_hex(text).ok()?;
        Some(Self(*hash.as_bytes()))
    }

    /// Returns what is stored of the token.
    pub fn digest(&self) -> Digest {
        Digest(blake3::derive_key(TOKEN_CONTEXT, &self.0))
    }
}

impl fmt::Display for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        blake3::Hash::from_bytes(self.0).to_hex().fmt(f)
    }
}

impl fmt::Debug for Token {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Token(kept secret)")
    }
}

/// What a browser holds of a person who signed in: 256 random bits, in a cookie that no script can
/// read, written as 64 hexadecimal digits.
#[derive(Clone, PartialEq, Eq)]
pub struct SessionSecret([u8; 32]);

impl SessionSecret {
    /// Makes a secret from chance.
    pub const fn from_chance(chance: [u8; 32]) -> Self {
        Self(chance)
    }

    /// Reads a secret from its 64 hexadecimal digits.
    pub fn parse(text: &str) -> Option<Self> {
        let hash = blake3::Hash::from_hex(text).ok()?;
        Some(Self(*hash.as_bytes()))
    }

    /// Returns what is stored of the secret.
    pub fn digest(&self) -> Digest {
        Digest(blake3::derive_key(SESSION_CONTEXT, &self.0))
    }

    /// Returns what the session's own forms carry. Whoever cannot read its pages cannot know it, so
    /// a form on another site decides nothing; and the secret does not follow from it.
    pub fn form_token(&self) -> Digest {
        Digest(blake3::derive_key(FORM_CONTEXT, &self.0))
    }
}

impl fmt::Display for SessionSecret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        blake3::Hash::from_bytes(self.0).to_hex().fmt(f)
    }
}

impl fmt::Debug for SessionSecret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("SessionSecret(kept secret)")
    }
}

/// What is stored of a secret. Comparing two takes the same time wherever they differ.
#[derive(Debug, Clone, Copy)]
pub struct Digest([u8; 32]);

impl Digest {
    /// Makes a digest from its 32 bytes.
    pub const fn from_bytes(bytes: [u8; 32]) -> Self {
        Self(bytes)
    }

    /// Returns the 32 bytes.
    pub const fn bytes(&self) -> &[u8; 32] {
        &self.0
    }

    /// Returns the 64 hexadecimal digits.
    pub fn hex(&self) -> String {
        blake3::Hash::from_bytes(self.0).to_hex().to_string()
    }

    /// Reads a digest from its 64 hexadecimal digits.
    pub fn parse(text: &str) -> Option<Self> {
        let hash = blake3::Hash::from_hex(text).ok()?;
        Some(Self(*hash.as_bytes()))
    }
}

impl PartialEq for Digest {
    fn eq(&self, other: &Self) -> bool {
        self.0.ct_eq(&other.0).into()
    }
}

impl Eq for Digest {}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    proptest! {
        #[test]
        fn a_code_reads_back_however_it_is_typed(chance: [u8; CODE_SIGNS]) {
            let code = Code::from_chance(chance);
            let shown = code.to_string();
            prop_assert_eq!(shown.len(), 11);
            let typed = shown.to_lowercase().replace('-', " ").replace('0', "o").replace('1', "l");
            prop_assert_eq!(Code::parse(&typed), Some(code.clone()));
            prop_assert_eq!(Code::parse(&shown), Some(code));
        }

        #[test]
        fn a_token_reads_back(chance: [u8; 32]) {
            let token = Token::from_chance(chance);
            prop_assert_eq!(Token::parse(&token.to_string()), Some(token));
        }

        #[test]
        fn no_text_makes_the_readers_panic(text in ".*") {
            let _read = (Code::parse(&text), Token::parse(&text));
        }
    }

    #[test]
    fn what_is_no_code_is_none() {
        for text in [
            "",
            "ABCDE",
            "ABCDE-FGHJ",
            "ABCDE-FGHJKM",
            "UBCDE-FGHJK",
            "ABCDE_FGHJK",
        ] {
            assert_eq!(Code::parse(text), None, "{text}");
        }
    }

    #[test]
    fn secrets_are_not_printed_for_debugging() {
        let (code, token) = (Code::from_chance([1; 10]), Token::from_chance([1; 32]));
        let session = SessionSecret::from_chance([1; 32]);
        let told = format!("{code:?} {token:?} {session:?}");
        assert_eq!(
            told,
            "Code(kept secret) Token(kept secret) SessionSecret(kept secret)"
        );
    }

    #[test]
    fn a_code_and_a_token_of_the_same_bytes_have_other_digests() {
        let same = [b'A'; 32];
        assert!(Digest(blake3::derive_key(CODE_CONTEXT, &same)) != Token(same).digest());
        let session = SessionSecret(same);
        assert!(session.digest() != Token(same).digest());
        assert!(session.digest() != session.form_token());
        assert_eq!(SessionSecret::parse(&session.to_string()), Some(session));
    }
}
