//! The maths of the trade: numbers with units in, numbers with units out. It reads no clock, no
//! file and no store.
