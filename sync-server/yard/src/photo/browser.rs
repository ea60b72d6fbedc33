//! The calls about pictures that the worker makes.

use headwalk_core::log::id::LogbookId;
use headwalk_core::log::stamp::WallMs;
use headwalk_core::site::photo::PhotoDigest;
use serde::Deserialize;
use wasm_bindgen::prelude::*;

use super::{Answer, File, Prepared};
use crate::browser::{YardPhone, told};

/// A picture that is ready to be kept.
#[wasm_bindgen]
pub struct PreparedPhoto(Prepared);

#[wasm_bindgen]
impl PreparedPhoto {
    /// Returns the file's name.
    #[wasm_bindgen(getter)]
    pub fn name(&self) -> String {
        self.0.name.clone()
    }

    /// Returns the picture, and nothing else.
    #[wasm_bindgen(getter)]
    pub fn bytes(&self) -> Vec<u8> {
        self.0.bytes.clone()
    }

    /// Returns whether there is room for it.
    #[wasm_bindgen(getter)]
    pub fn fits(&self) -> bool {
        self.0.fits
    }
}

/// What was asked, and what the hub answered.
#[derive(Deserialize)]
struct Answered {
    questions: Vec<Asked>,
    answers: Vec<Answer>,
}

#[derive(Deserialize)]
struct Asked {
    digest: String,
    sure: bool,
}

fn digest(text: &str) -> Result<PhotoDigest, JsError> {
    Ok(text.parse()?)
}

#[wasm_bindgen]
impl YardPhone {
    /// Takes in which files there are, as JSON.
    pub fn found_photos(&mut self, files: &str) -> Result<(), JsError> {
        let files: Vec<File> = serde_json::from_str(files)?;
        self.0.found_photos(files).map_err(told)
    }

    /// Makes a picture ready; `room` is what is left for this page, in bytes.
    pub fn prepare_photo(&mut self, file: &[u8], room: f64) -> Result<PreparedPhoto, JsError> {
        let prepared = self.0.prepare_photo(file, room as u64);
        prepared.map(PreparedPhoto).map_err(told)
    }

    /// Returns what the hub is to be asked, as JSON.
    pub fn photo_questions(&self, now_ms: f64, room: f64) -> Result<String, JsError> {
        let questions = self
            .0
            .photo_questions(WallMs::new(now_ms as u64), room as u64);
        Ok(serde_json::to_string(&questions)?)
    }

    /// Takes in what the hub answered, and returns what is then to be done with files. Both are JSON.
    pub fn photo_answers(&mut self, answered: &str) -> Result<String, JsError> {
        let answered: Answered = serde_json::from_str(answered)?;
        let questions = answered.questions.iter();
        let questions = questions.map(|asked| Ok((digest(&asked.digest)?, asked.sure)));
        let questions = questions.collect::<Result<Vec<_>, JsError>>()?;
        let tasks = self.0.photo_answers(&questions, &answered.answers);
        Ok(serde_json::to_string(&tasks)?)
    }

    /// Returns whether these bytes are that picture; where its file is another, that is noted.
    pub fn photo_is(&mut self, bytes: &[u8], of: &str) -> Result<bool, JsError> {
        Ok(self.0.photo_is(digest(of)?, bytes))
    }

    /// Takes in that the hub has a picture whole.
    pub fn photo_arrived(&mut self, of: &str) -> Result<(), JsError> {
        self.0.photo_arrived(digest(of)?);
        Ok(())
    }

    /// Takes in that a picture was brought, and its file is on disk.
    pub fn photo_brought(
        &mut self,
        of: &str,
        logbook: &str,
        bytes: f64,
        now_ms: f64,
    ) -> Result<(), JsError> {
        let logbook: LogbookId = logbook.parse()?;
        let now = WallMs::new(now_ms as u64);
        self.0
            .photo_brought(digest(of)?, logbook, bytes as u64, now);
        Ok(())
    }
}
