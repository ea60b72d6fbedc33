//! What is wrong with the controllers' programs as they stand.

use serde::Serialize;

use headwalk_core::site::programs::Expected;

use super::Book;
use crate::output::Page;

/// What a crew should look at at each controller.
#[derive(Serialize)]
pub struct Programs {
    programs: Vec<ProgramLine>,
}

/// One controller.
#[derive(Serialize)]
struct ProgramLine {
    site: String,
    controller: String,
    faults: Vec<String>,
}

impl Programs {
    /// Checks the programs of every site.
    pub fn read(books: &[Book]) -> Self {
        let mut programs = Vec::new();
        for book in books {
            let site = book.site();
            for controller in site.controllers() {
                let expected = Expected::default();
                let Ok(set) = controller.as_left() else {
                    continue;
                };
                let faults = set.value.faults(&expected);
                programs.push(ProgramLine {
                    site: book.name.clone(),
                    controller: site.address(*controller),
                    faults: faults.iter().map(ToString::to_string).collect(),
                });
            }
        }
        Self { programs }
    }

    /// Writes what to look at.
    pub fn write(&self, page: &mut Page) {
        page.line("PROGRAMS AS THEY STAND");
        let rows: Vec<_> = self
            .programs
            .iter()
            .flat_map(|line| {
                line.faults
                    .iter()
                    .map(|fault| [line.site.clone(), line.controller.clone(), fault.clone()])
            })
            .collect();
        page.table(["site", "controller", "what to look at"], &rows);
        page.line("");
    }
}
