//! The day's end as a page.

use headwalk_core::log::chain::Mark;
use headwalk_core::site::day_end::{
    Asks, DayEnd, Decided, Line, Listed, Matter, Offer, PutOff, Side,
};
use headwalk_core::site::words::Vocabulary;

use super::super::html::Html;
use super::desk::mark_text;
use super::frame::Visitor;
use super::photos;
use crate::access::Role;
use crate::office::OfficeDay;

/// How many lines are shown at once: the worst. The others follow as these are decided.
const SHOWN: usize = 200;

/// Returns the body of the page.
pub(super) fn page(read: &OfficeDay, visitor: &Visitor, told: Option<&str>) -> Html {
    let mut html = Html::default();
    html.markup("<main id=\"main\"><p id=\"told\" class=\"told\" role=\"status\" ")
        .markup("aria-live=\"polite\">")
        .text(told.unwrap_or_default())
        .markup("</p><div id=\"list\">")
        .piece(list(read, visitor))
        .markup("</div>");
    html.piece(keys(visitor)).markup("</main>");
    html
}

/// Returns what of it changes.
pub(super) fn list(read: &OfficeDay, visitor: &Visitor) -> Html {
    let day = &read.day;
    let mut html = Html::default();
    html.markup("<div class=\"whole\"")
        .attribute("data-revision", &read.revision.to_string())
        .markup(">")
        .element(
            "h1",
            &format!("Day's end, {}", day.date.format("%A %-d %B %Y")),
        );
    html.piece(summary(day));
    let mut heading = "";
    for listed in day.lines.iter().take(SHOWN) {
        let of_listed = match listed.hole {
            Some(_) => "Left open before",
            None => Matter::heading(listed.line.key.matter),
        };
        if heading != of_listed {
            if !heading.is_empty() {
                html.markup("</section>");
            }
            heading = of_listed;
            html.markup("<section>").element("h2", heading);
        }
        html.piece(line(listed, read, visitor));
    }
    if !heading.is_empty() {
        html.markup("</section>");
    }
    if let Some(more) = day.lines.len().checked_sub(SHOWN).filter(|more| *more > 0) {
        html.element(
            "p",
            &format!("And {more} more, which follow as these are decided."),
        );
    }
    html.piece(photos::not_here(&read.photos))
        .piece(put_off(&day.put_off))
        .piece(decided(day, &read.marks, visitor))
        .piece(closing(day, visitor))
        .markup("</div>");
    html
}

fn summary(day: &DayEnd) -> Html {
    let mut html = Html::default();
    html.markup("<p class=\"summary\">");
    match (day.lines.len(), &day.closed) {
        (0, Some(closed)) => {
            let words = format!("{} at {}: {}.", closed.by, closed.time(), closed.words);
            html.text(&words).markup(" <strong>Go home.</strong>");
        }
        (0, None) => {
            html.markup("Nothing is left. <strong>Go home.</strong>");
        }
        (1, _) => {
            html.markup("1 thing to decide.");
        }
        (left, _) => {
            html.number(left as u64)
                .markup(" things to decide, the worst first.");
        }
    }
    html.markup("</p>");
    html
}

fn line(listed: &Listed, read: &OfficeDay, visitor: &Visitor) -> Html {
    let line = &listed.line;
    let mut html = Html::default();
    html.markup("<article class=\"line\" tabindex=\"-1\"")
        .attribute("data-line", &line.key.to_string())
        .markup("><h3>")
        .element("span", &line.site)
        .markup(" <a")
        .attribute("href", &history_of(line))
        .markup(">")
        .text(&line.place)
        .markup("</a>: ")
        .text(&line.head);
    if let Some(severity) = line.severity {
        html.markup(" <em class=\"severity\">")
            .text(severity.word())
            .markup("</em>");
    }
    html.markup("</h3>");
    if let Some(hole) = &listed.hole {
        let why = hole.why.as_ref().map(|why| format!(": {why}"));
        let left = format!(
            "Left open on {} by {}{}",
            hole.left,
            hole.by,
            why.unwrap_or_default()
        );
        html.markup("<p class=\"left\">").text(&left).markup("</p>");
    }
    if !line.sides.is_empty() {
        html.piece(sides(line));
    }
    if !line.more.is_empty() {
        html.markup("<ul>");
        for more in &line.more {
            html.element("li", more);
        }
        html.markup("</ul>");
    }
    if let Some(shown) = read.photos.of.get(&(line.key.logbook, line.about)) {
        html.piece(photos::figures(line.key.logbook, shown));
    }
    if let Some(caution) = line.caution {
        html.markup("<p class=\"caution\"><strong>Caution.</strong> ")
            .text(caution)
            .markup("</p>");
    }
    if visitor.session.role == Role::Dispatcher {
        html.markup("<div class=\"offers\">");
        for offer in &line.offers {
            html.piece(offered(line, offer, read, visitor));
        }
        html.markup("</div>");
    }
    html.markup("</article>");
    html
}

/// The address of a thing's timeline.
pub(super) fn history_of(line: &Line) -> String {
    format!(
        "/office/history?logbook={}&thing={}",
        line.key.logbook, line.about
    )
}

fn sides(line: &Line) -> Html {
    let mut html = Html::default();
    html.markup("<table class=\"sides\"><thead><tr><th scope=\"col\">Field</th>");
    for side in &line.sides {
        html.markup("<th scope=\"col\">")
            .piece(whose(side))
            .markup("</th>");
    }
    html.markup("</tr></thead><tbody>");
    let rows = line.sides.first().map_or(0, |side| side.rows.len());
    for nth in 0..rows {
        html.markup("<tr>");
        let field = line.sides.first().and_then(|side| side.rows.get(nth));
        html.markup("<th scope=\"row\">")
            .text(field.map_or("", |row| row.field.as_str()))
            .markup("</th>");
        for side in &line.sides {
            html.markup("<td>");
            if let Some(row) = side.rows.get(nth) {
                let seen = match row.had_seen.join("; ") {
                    seen if seen.is_empty() => "had seen nothing there".to_owned(),
                    seen => format!("had seen {seen}"),
                };
                html.element("strong", &row.value)
                    .markup("<small>")
                    .text(&seen)
                    .markup("</small>");
            }
            html.markup("</td>");
        }
        html.markup("</tr>");
    }
    html.markup("</tbody></table>");
    html
}

fn whose(side: &Side) -> Html {
    let mut html = Html::default();
    let in_force = if side.letter == 'A' { ", in force" } else { "" };
    html.element("b", &format!("{}{in_force}", side.letter));
    let device = side.device.iter().map(|device| format!("on {device}"));
    let visit = side.visit.iter().map(|visit| format!("during {visit}"));
    let who = [side.by.clone(), side.when.clone()].into_iter();
    let who: Vec<_> = who.chain(device).chain(visit).collect();
    html.markup("<small>")
        .text(&who.join(", "))
        .markup("</small>");
    html
}

fn offered(line: &Line, offer: &Offer, read: &OfficeDay, visitor: &Visitor) -> Html {
    let mut html = Html::default();
    let (key, tomorrow) = (offer.key.to_string(), read.today.tomorrow().to_string());
    html.markup("<form method=\"post\" action=\"/office/decide\"")
        .attribute("data-key", &key)
        .markup(">")
        .hidden("form", &visitor.form.hex())
        .hidden("key", &line.key.to_string())
        .hidden("basis", &line.basis)
        .hidden("act", offer.act.word());
    if let Some(version) = offer.version {
        html.hidden("version", &version.to_string());
    }
    let (kind, value) = match offer.asks {
        Asks::Nothing => (None, ""),
        Asks::Why | Asks::Who => (Some("text"), ""),
        Asks::Day => (Some("date"), tomorrow.as_str()),
        Asks::Price => (Some("text"), ""),
        Asks::Count => (Some("number"), "1"),
    };
    html.markup("<button")
        .attribute("aria-keyshortcuts", &key)
        .markup("><kbd>")
        .text(&key.to_uppercase())
        .markup("</kbd> ")
        .text(&offer.label)
        .markup("</button>");
    if let Some(kind) = kind {
        let asked = match offer.asks {
            Asks::Price => "in dollars",
            Asks::Who => "name",
            Asks::Day => "day",
            Asks::Count => "how many",
            _ => "reason",
        };
        html.markup("<input name=\"words\" required maxlength=\"150\" autocomplete=\"off\"")
            .attribute("type", kind)
            .attribute("value", value)
            .attribute("aria-label", &format!("{}: {asked}", offer.label))
            .attribute("placeholder", asked)
            .markup(">");
    }
    html.markup("</form>");
    html
}

fn put_off(lines: &[PutOff]) -> Html {
    let mut html = Html::default();
    if lines.is_empty() {
        return html;
    }
    html.markup("<section><h2>Not today</h2><ul class=\"quiet\">");
    for put_off in lines {
        let line = &put_off.line;
        let why = put_off.why.as_ref().map(|why| format!(": {why}"));
        let told = format!(
            "{}, {}: {}. Comes back on {}, put off by {}{}",
            line.site,
            line.place,
            line.head,
            put_off.until,
            put_off.by,
            why.unwrap_or_default()
        );
        html.element("li", &told);
    }
    html.markup("</ul></section>");
    html
}

fn decided(day: &DayEnd, marks: &[Option<Mark>], visitor: &Visitor) -> Html {
    let mut html = Html::default();
    if day.decided.is_empty() {
        return html;
    }
    html.markup("<section><h2>Decided today</h2><ol class=\"decided\">");
    for (decided, mark) in day.decided.iter().zip(marks) {
        html.piece(one_decided(decided, mark.as_ref(), visitor));
    }
    html.markup("</ol></section>");
    html
}

fn one_decided(decided: &Decided, mark: Option<&Mark>, visitor: &Visitor) -> Html {
    let mut html = Html::default();
    let line = decided.line.as_ref().map(ToString::to_string);
    let told = format!("{} at {}: {}", decided.by, decided.time(), decided.words);
    html.markup("<li")
        .attribute("data-decided", &line.unwrap_or_default())
        .attribute("data-by", &decided.by)
        .markup(">")
        .element("span", &told);
    if let (Some(mark), Role::Dispatcher) = (mark, visitor.session.role) {
        html.markup("<form class=\"undo\" method=\"post\" action=\"/office/undo\">")
            .hidden("form", &visitor.form.hex())
            .hidden("mark", &mark_text(mark))
            .markup("<button")
            .attribute("aria-label", &format!("Take back: {told}"))
            .markup(">Take back</button></form>");
    }
    html.markup("</li>");
    html
}

fn closing(day: &DayEnd, visitor: &Visitor) -> Html {
    let mut html = Html::default();
    let is_closed = day.closed.is_some() && day.lines.is_empty();
    if is_closed || visitor.session.role != Role::Dispatcher {
        return html;
    }
    html.markup("<form class=\"close\" method=\"post\" action=\"/office/close\" data-key=\"g\">")
        .hidden("form", &visitor.form.hex())
        .markup("<button aria-keyshortcuts=\"g\"><kbd>G</kbd> Close the day</button>");
    if !day.lines.is_empty() {
        html.markup("<input name=\"why\" required maxlength=\"150\" autocomplete=\"off\" ")
            .markup("aria-label=\"Why the day is closed with what is left\" ")
            .markup("placeholder=\"why, with what is left\"> ")
            .markup("<small>What is left comes first tomorrow.</small>");
    }
    html.markup("</form>");
    html
}

fn keys(visitor: &Visitor) -> Html {
    let mut html = Html::default();
    html.markup("<footer class=\"keys\">");
    if visitor.session.role == Role::Dispatcher {
        html.markup("<p><kbd>↓</kbd> <kbd>↑</kbd> or <kbd>N</kbd> <kbd>P</kbd> next and previous ")
            .markup("line; a line's own keys decide it, <kbd>Enter</kbd> sends what you typed, ")
            .markup("<kbd>Esc</kbd> leaves it; <kbd>U</kbd> takes your last decision back; ")
            .markup("<kbd>H</kbd> opens the history; <kbd>G</kbd> closes the day.</p>");
    } else {
        html.markup("<p>You read here; dispatchers decide.</p>");
    }
    html.markup("</footer>");
    html
}
