//! The frame of every paper: head, style, and how it breaks into sheets.

use super::html::Html;
use super::show::Show;
use super::words as w;
use super::{Facts, Options, Sheet};
use crate::site::fields::{self, FieldDef};
use crate::site::map::picture::escaped;
use crate::site::things::Site;

/// How much of a sheet a paper takes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Size {
    /// A whole one.
    Whole,
    /// Half of one, lying in the hand as half a letter or as A5.
    Half,
}

/// Returns a whole paper with this body.
pub(super) fn framed(title: &str, body: Html, size: Size, options: &Options) -> String {
    let page = match (size, options.sheet) {
        (Size::Whole, Sheet::Letter) => "@page{size:8.5in 11in;margin:.6in .65in}",
        (Size::Whole, Sheet::A4) => "@page{size:210mm 297mm;margin:15mm 16mm}",
        (Size::Half, Sheet::Letter) => "@page{size:5.5in 8.5in;margin:.35in}",
        (Size::Half, Sheet::A4) => "@page{size:148mm 210mm;margin:9mm}",
    };
    let half = match size {
        Size::Half => " class=\"half\"",
        Size::Whole => "",
    };
    format!(
        "<!doctype html>\n<html lang=\"{}\">\n<head>\n<meta charset=\"utf-8\">\n<meta \
         name=\"viewport\" content=\"width=device-width\">\n<title>{}</title>\n<style>{page}{STYLE}\
         </style>\n</head>\n<body{half}>\n<main>\n{}</main>\n</body>\n</html>\n",
        options.language.tag(),
        escaped(title),
        body.done()
    )
}

/// Adds who it is from and whom it is about, above the title.
pub(super) fn letterhead(html: &mut Html, facts: &Facts<'_>, title: &str, show: Show) {
    let of = |site: Option<&Site<'_>>, field: &FieldDef| {
        let words = site.and_then(|site| site.root().words(field).ok());
        words.map(|words| words.value)
    };
    html.raw("<header>\n<div class=\"from\">\n");
    if let Some(name) = of(facts.firm, &fields::company::NAME) {
        html.tag("p.firm", &name);
    }
    let licence = of(facts.firm, &fields::company::LICENCE);
    let licence = licence.map(|licence| w::LICENCE.with(show.language, &[&licence]));
    let lines = [
        of(facts.firm, &fields::company::ADDRESS),
        of(facts.firm, &fields::company::PHONE),
        licence,
    ];
    let lines: Vec<String> = lines.into_iter().flatten().collect();
    if !lines.is_empty() {
        html.tag("p.small", &lines.join(" · "));
    }
    html.raw("</div>\n<div class=\"to\">\n");
    let site = Some(facts.site);
    for line in [
        of(site, &fields::site::CLIENT),
        Some(facts.name()),
        of(site, &fields::site::ADDRESS),
    ]
    .into_iter()
    .flatten()
    {
        html.tag("p", &line);
    }
    html.tag("p", &show.day(facts.on));
    html.raw("</div>\n</header>\n");
    html.tag("h1", title);
}

/// Adds what can hurt, and that local rules come first.
pub(super) fn cautions(html: &mut Html, said: &[&str], show: Show) {
    if !said.is_empty() {
        html.raw("<section class=\"care\">\n");
        html.tag("h2", w::TAKE_CARE.of(show.language));
        for caution in said {
            html.tag("p", caution);
        }
        html.raw("</section>\n");
    }
    html.raw("<footer>\n");
    html.tag("p", w::LOCAL_FIRST.of(show.language));
    html.raw("</footer>\n");
}

/// Black on white, no colour that means anything, no line broken from its heading.
const STYLE: &str = "*{box-sizing:border-box}html{-webkit-print-color-adjust:exact;\
print-color-adjust:exact}body{font:10pt/1.38 Helvetica,Arial,'Liberation Sans',sans-serif;color:#000;\
background:#fff;margin:1.2em auto;padding:0 1em;max-width:7.4in}body.half{max-width:4.9in;\
font-size:9.6pt;line-height:1.3}.half h1{margin-top:0}.half h2{margin:.5em 0 .2em}.half .cells td,\
.half .cells th{padding:.1em .3em}.half .big{font-size:1.15em}p{margin:.25em 0}h1{font-size:1.7em;line-height:1.15;margin:.5em 0 .35em}\
h2{font-size:1.15em;margin:1.1em 0 .35em;break-after:avoid}h3{font-size:1em;margin:.8em 0 .2em;\
break-after:avoid}header{display:flex;justify-content:space-between;gap:2em;border-bottom:2px solid \
#000;padding-bottom:.5em}header p{margin:0}.to{text-align:right}.firm{font-weight:bold;\
font-size:1.15em}.small{font-size:.86em;color:#222}.lead p{font-size:1.12em;margin:.4em 0}\
table{border-collapse:collapse;width:100%;margin:.4em 0;font-size:.93em}th,td{text-align:left;\
vertical-align:top;padding:.28em .5em .28em 0;border-bottom:1px solid #777;overflow-wrap:anywhere}\
th{border-bottom:2px solid #000;overflow-wrap:normal}thead{display:table-header-group}tr{\
break-inside:avoid}.figure{text-align:right;white-space:nowrap;font-variant-numeric:tabular-nums}\
.sum td{border-bottom:0}.tick{display:inline-block;width:1.05em;height:1.05em;border:1.5px solid \
#000;vertical-align:-.15em}.choice{white-space:nowrap}.care{border:2.5px solid #000;padding:.2em .9em \
.5em;margin-top:1em;break-inside:avoid}.care h2{margin-top:.3em}footer{margin-top:1em;font-size:.84em;\
color:#222;border-top:1px solid #777;padding-top:.3em}section{margin:0}.sheet{break-before:page}\
.keep{break-inside:avoid}svg{display:block;max-width:100%;height:auto}.map svg{max-height:8.1in;\
margin:0 auto}.half .map svg{max-height:5in}.big{font-size:1.25em;font-weight:bold}.cells td{\
border:1px solid #000;padding:.2em .35em;text-align:center}.cells th{border:1px solid #000;\
padding:.2em .35em;text-align:center}.cells td:first-child{text-align:left}.write{border-bottom:1px \
solid #000;display:inline-block;min-width:9em}dl{display:grid;grid-template-columns:max-content 1fr;\
gap:.15em .8em;margin:.3em 0}dt{font-weight:bold}dd{margin:0}@media print{body,body.half{margin:0;\
padding:0;max-width:none}}";
