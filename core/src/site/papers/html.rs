//! The few marks that papers are made of.

use std::fmt::Write;

use crate::site::map::picture::escaped;

/// HTML while it is written.
#[derive(Debug, Default)]
pub(super) struct Html(String);

/// A cell of a table.
#[derive(Debug, Clone)]
pub(super) enum Cell {
    /// Words.
    Words(String),
    /// A figure, set to the right.
    Figure(String),
    /// A figure that others add up to.
    Sum(String),
    /// Words of our own that stand on one line.
    Short(String),
    /// Marks of our own: a box to tick, a bar.
    Marks(String),
}

impl Cell {
    pub(super) fn words(words: impl Into<String>) -> Self {
        Self::Words(words.into())
    }

    pub(super) fn figure(figure: impl Into<String>) -> Self {
        Self::Figure(figure.into())
    }
}

/// A box to tick.
pub(super) const BOX: &str = "<span class=\"tick\" aria-hidden=\"true\"></span>";

impl Html {
    /// Adds marks as they are.
    pub(super) fn raw(&mut self, marks: &str) -> &mut Self {
        self.0.push_str(marks);
        self
    }

    /// Adds words within a tag; the tag may carry a class, as in `p.small`.
    pub(super) fn tag(&mut self, tag: &str, words: &str) -> &mut Self {
        let (tag, class) = tag.split_once('.').unwrap_or((tag, ""));
        let class = match class {
            "" => String::new(),
            class => format!(" class=\"{class}\""),
        };
        self.put(format_args!("<{tag}{class}>{}</{tag}>\n", escaped(words)))
    }

    /// Adds a table under its heading row, which may be one cell shorter than the widest row.
    pub(super) fn table(&mut self, class: &str, heading: &[&str], rows: &[Vec<Cell>]) -> &mut Self {
        if rows.is_empty() {
            return self;
        }
        self.put(format_args!("<table class=\"{class}\">\n<thead><tr>"));
        let first = rows.first().map_or(&[][..], Vec::as_slice);
        for (at, words) in heading.iter().enumerate() {
            let class = match first.get(at) {
                Some(Cell::Figure(_) | Cell::Sum(_)) => " class=\"figure\"",
                _ => "",
            };
            self.put(format_args!(
                "<th scope=\"col\"{class}>{}</th>",
                escaped(words)
            ));
        }
        self.raw("</tr></thead>\n<tbody>\n");
        for row in rows {
            self.raw("<tr>");
            for cell in row {
                match cell {
                    Cell::Words(words) => self.put(format_args!("<td>{}</td>", escaped(words))),
                    Cell::Figure(words) => {
                        self.put(format_args!("<td class=\"figure\">{}</td>", escaped(words)))
                    }
                    Cell::Sum(words) => self.put(format_args!(
                        "<td class=\"figure\"><b>{}</b></td>",
                        escaped(words)
                    )),
                    Cell::Short(words) => {
                        self.put(format_args!("<td class=\"choice\">{}</td>", escaped(words)))
                    }
                    Cell::Marks(marks) => self.put(format_args!("<td>{marks}</td>")),
                };
            }
            self.raw("</tr>\n");
        }
        self.raw("</tbody>\n</table>\n")
    }

    /// Returns all of it.
    pub(super) fn done(self) -> String {
        self.0
    }

    fn put(&mut self, marks: std::fmt::Arguments<'_>) -> &mut Self {
        self.0
            .write_fmt(marks)
            .expect("a string takes whatever is written");
        self
    }
}
