//! `headwalk demo`: one invented season, played end to end through real store files and a real
//! hub. Start at [`scenario`], what happens.

mod scenario;
