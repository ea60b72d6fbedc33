//! A crew's walk over a site: its states.

use super::words::vocabularies;

vocabularies! {
    /// How far a visit has come. Nothing closes it but a person.
    VisitState {
        /// Going on, or left for later.
        Open = "open",
        /// Everything that it came for is done.
        Finished = "finished" | "done",
        /// Done but for zones that were skipped, each with its reason.
        FinishedWithSkips = "finished-with-skips",
        /// Given up, and why.
        Abandoned = "abandoned",
    }
}
