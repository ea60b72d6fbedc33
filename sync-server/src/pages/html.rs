//! HTML as it is written: every word that somebody typed goes through [`Html::text`] or
//! [`Html::attribute`], and nothing else puts words into a page.

use std::fmt::Write as _;

/// A piece of a page.
#[derive(Debug, Default)]
pub(crate) struct Html(String);

impl Html {
    /// Writes markup of ours, as it stands.
    pub(crate) fn markup(&mut self, markup: &'static str) -> &mut Self {
        self.0.push_str(markup);
        self
    }

    /// Writes words, so that they are read as words.
    pub(crate) fn text(&mut self, words: &str) -> &mut Self {
        for letter in words.chars() {
            match letter {
                '&' => self.0.push_str("&amp;"),
                '<' => self.0.push_str("&lt;"),
                '>' => self.0.push_str("&gt;"),
                '"' => self.0.push_str("&quot;"),
                '\'' => self.0.push_str("&#39;"),
                other => self.0.push(other),
            }
        }
        self
    }

    /// Writes a number.
    pub(crate) fn number(&mut self, number: impl Into<u64>) -> &mut Self {
        write!(self.0, "{}", number.into()).expect("a string takes any number");
        self
    }

    /// Writes an attribute with a blank before it: ` name="value"`.
    pub(crate) fn attribute(&mut self, name: &'static str, value: &str) -> &mut Self {
        self.0.push(' ');
        self.0.push_str(name);
        self.0.push_str("=\"");
        self.text(value);
        self.0.push('"');
        self
    }

    /// Writes words in an element without attributes.
    pub(crate) fn element(&mut self, name: &'static str, words: &str) -> &mut Self {
        self.0.push('<');
        self.0.push_str(name);
        self.0.push('>');
        self.text(words);
        self.0.push_str("</");
        self.0.push_str(name);
        self.0.push('>');
        self
    }

    /// Writes a hidden field of a form.
    pub(crate) fn hidden(&mut self, name: &str, value: &str) -> &mut Self {
        self.markup("<input type=\"hidden\"");
        self.attribute("name", name).attribute("value", value);
        self.markup(">")
    }

    /// Takes another piece in.
    pub(crate) fn piece(&mut self, piece: Self) -> &mut Self {
        self.0.push_str(&piece.0);
        self
    }

    /// Returns the piece as text.
    pub(crate) fn into_text(self) -> String {
        self.0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_somebody_typed_is_never_markup() {
        let mut html = Html::default();
        html.element("p", "<script>alert(\"x\")</script> & 'y'")
            .markup("<a")
            .attribute("href", "\"><img src=x onerror='z'>")
            .markup(">");
        assert_eq!(
            html.into_text(),
            "<p>&lt;script&gt;alert(&quot;x&quot;)&lt;/script&gt; &amp; &#39;y&#39;</p><a \
             href=\"&quot;&gt;&lt;img src=x onerror=&#39;z&#39;&gt;\">"
        );
    }
}
