//! The few shapes that the pictures are made of.

use std::fmt::Write;

/// A picture while it is drawn, in pixels from its upper left corner.
pub(super) struct Svg {
    body: String,
    width: f64,
    title: String,
    about: String,
}

/// Where a text stands to its point.
#[derive(Clone, Copy)]
pub(super) enum Anchor {
    Start,
    Middle,
    End,
}

/// A rectangle.
#[derive(Clone, Copy)]
pub(super) struct Box {
    pub(super) x: f64,
    pub(super) y: f64,
    pub(super) width: f64,
    pub(super) height: f64,
}

impl Svg {
    pub(super) fn new(width: f64, title: &str, about: &str) -> Self {
        Self {
            body: String::new(),
            width,
            title: title.to_owned(),
            about: about.to_owned(),
        }
    }

    /// Draws a rectangle of a class of [`STYLE`]; what it stands for shows when pointed at.
    pub(super) fn rect(&mut self, class: &str, at: Box, says: &str) {
        let Box {
            x,
            y,
            width,
            height,
        } = at;
        if height <= 0.0 || width <= 0.0 {
            return;
        }
        let title = match says {
            "" => String::new(),
            says => format!("<title>{}</title>", escaped(says)),
        };
        self.push(format_args!(
            "<rect class=\"{class}\" x=\"{x:.1}\" y=\"{y:.1}\" width=\"{width:.1}\" \
             height=\"{height:.1}\">{title}</rect>\n"
        ));
    }

    pub(super) fn line(&mut self, class: &str, from: (f64, f64), to: (f64, f64)) {
        self.push(format_args!(
            "<line class=\"{class}\" x1=\"{:.1}\" y1=\"{:.1}\" x2=\"{:.1}\" y2=\"{:.1}\"/>\n",
            from.0, from.1, to.0, to.1
        ));
    }

    /// Draws a line through points.
    pub(super) fn path(&mut self, class: &str, points: &[(f64, f64)]) {
        let points: Vec<String> = points
            .iter()
            .map(|(x, y)| format!("{x:.1},{y:.1}"))
            .collect();
        self.push(format_args!(
            "<polyline class=\"{class}\" points=\"{}\"/>\n",
            points.join(" ")
        ));
    }

    pub(super) fn text(&mut self, class: &str, at: (f64, f64), anchor: Anchor, words: &str) {
        let anchor = match anchor {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        };
        self.push(format_args!(
            "<text class=\"{class}\" x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"{anchor}\">{}</text>\n",
            at.0,
            at.1,
            escaped(words)
        ));
    }

    /// Returns the whole file.
    pub(super) fn done(self, height: f64) -> String {
        let Self {
            body,
            width,
            title,
            about,
        } = self;
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" width=\"{width:.0}\" \
             height=\"{height:.0}\" viewBox=\"0 0 {width:.0} {height:.0}\">\n<title>{}</title>\n\
             <desc>{}</desc>\n<style>{STYLE}</style>\n<defs>{PATTERNS}</defs>\n\
             <rect class=\"paper\" width=\"100%\" height=\"100%\"/>\n{body}</svg>\n",
            escaped(&title),
            escaped(&about)
        )
    }

    fn push(&mut self, shape: std::fmt::Arguments<'_>) {
        self.body
            .write_fmt(shape)
            .expect("a string takes whatever is written");
    }
}

/// Ink on paper: fills differ in pattern and lightness, not in colour alone.
const STYLE: &str = "
text{font-family:Helvetica,Arial,'Liberation Sans',sans-serif;font-size:13px;fill:#111}
.paper{fill:#fff}.head{font-size:18px;font-weight:bold}.zone{font-size:14px;font-weight:bold}
.small{font-size:11px;fill:#333}.axis{stroke:#111;stroke-width:1}.grid{stroke:#ddd;stroke-width:1}
.rain{fill:url(#dots);stroke:#555;stroke-width:.6}.left{fill:#b9c7d4;stroke:#333;stroke-width:.6}
.found{fill:url(#slant);stroke:#333;stroke-width:.6}
.plan{fill:#1f5f8b;stroke:#111;stroke-width:.6}.need{fill:none;stroke:#000;stroke-width:2.5}
.short{fill:url(#cross);stroke:#8b1a1a;stroke-width:.6}.visit{stroke:#111;stroke-width:1.5}
.mark{stroke:#000;stroke-width:3}.mark2{stroke:#000;stroke-width:1.5;stroke-dasharray:3 2}
";

const PATTERNS: &str = "\
<pattern id=\"dots\" width=\"5\" height=\"5\" patternUnits=\"userSpaceOnUse\">\
<rect width=\"5\" height=\"5\" fill=\"#fff\"/><circle cx=\"2.5\" cy=\"2.5\" r=\"1\" fill=\"#667\"/>\
</pattern>\
<pattern id=\"slant\" width=\"5\" height=\"5\" patternUnits=\"userSpaceOnUse\" \
patternTransform=\"rotate(45)\"><rect width=\"5\" height=\"5\" fill=\"#fff\"/>\
<rect width=\"1.6\" height=\"5\" fill=\"#444\"/></pattern>\
<pattern id=\"cross\" width=\"6\" height=\"6\" patternUnits=\"userSpaceOnUse\">\
<rect width=\"6\" height=\"6\" fill=\"#fff\"/>\
<path d=\"M0 0L6 6M6 0L0 6\" stroke=\"#8b1a1a\" stroke-width=\"1\"/></pattern>";

fn escaped(words: &str) -> String {
    let mut safe = String::with_capacity(words.len());
    for letter in words.chars() {
        match letter {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            // No control character is allowed in a file of this kind.
            control if control.is_control() => safe.push(' '),
            other => safe.push(other),
        }
    }
    safe
}

/// Returns the step of an axis that reaches so far in four to eight steps: 1, 2 or 5 times a
/// power of ten.
pub(in crate::site) fn step(most: f64) -> f64 {
    let rough = (most / 5.0).max(1e-3);
    let power = 10f64.powf(rough.log10().floor());
    let times = rough / power;
    let nice = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .find(|nice| times <= *nice);
    nice.unwrap_or(10.0) * power
}

/// Returns a tick's number without needless digits.
pub(super) fn tick(value: f64, step: f64) -> String {
    let decimals = if step >= 1.0 {
        0
    } else if step >= 0.1 {
        1
    } else {
        2
    };
    format!("{value:.decimals$}")
}

/// Shortens words to about so many letters.
pub(super) fn short(words: &str, letters: usize) -> String {
    if words.chars().count() <= letters {
        return words.to_owned();
    }
    let kept: String = words.chars().take(letters.saturating_sub(1)).collect();
    format!("{}\u{2026}", kept.trim_end())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_round_and_few() {
        for (most, expected) in [(0.9, 0.2), (2.4, 0.5), (7.0, 2.0), (180.0, 50.0)] {
            let got = step(most);
            assert!((got - expected).abs() < 1e-12, "{most}: {got}");
        }
    }

    #[test]
    fn words_cannot_leave_their_place() {
        let mut svg = Svg::new(10.0, "a < b", "");
        svg.text("", (0.0, 0.0), Anchor::Start, "</text><script>\u{7}");
        let file = svg.done(10.0);
        assert!(!file.contains("<script>"));
        assert!(file.contains("&lt;/text&gt;&lt;script&gt; "));
    }
}
