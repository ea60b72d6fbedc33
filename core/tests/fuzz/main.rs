//! Bytes from strangers, spoiled by chance: refused or taken, but never a panic, and never more
//! memory than a phone has. How it goes: `target.rs`.

mod made;
mod parcels;
mod target;

use crate::target::{Chance, Memory, Target, spoil};
use headwalk_core::log::{codec, columns};
use miniz_oxide::deflate::compress_to_vec;
use miniz_oxide::inflate::decompress_to_vec;
use peak_alloc::PeakAlloc;

#[global_allocator]
static MEMORY: PeakAlloc = PeakAlloc;

const COUNTED: Memory = Memory {
    taken: || MEMORY.current_usage(),
    most: || MEMORY.peak_usage(),
    reset: || MEMORY.reset_peak_usage(),
};

/// What a batch may unpack to in these tests.
const MOST_UNPACKED: usize = 1_400 * 1024;

fn raw(chance: &mut Chance) -> Vec<u8> {
    codec::encode(&made::entry(chance)).expect("it is right")
}

#[test]
fn no_bytes_make_the_reader_of_entries_panic_or_grow() {
    let target = Target {
        name: "entry",
        share: 45,
        memory: COUNTED,
    };
    let mut read = 0_u64;
    target.run(
        |chance| {
            let (mut one, other) = (raw(chance), raw(chance));
            spoil(&mut one, &other, chance);
            one
        },
        |bytes| {
            let peeked = codec::peek(bytes);
            let mark = codec::mark(bytes);
            if let Ok(entry) = codec::decode(bytes) {
                read += 1;
                assert_eq!(peeked, Ok((entry.logbook, entry.device)));
                assert_eq!(mark.map(|mark| mark.seq), Ok(entry.seq));
                // What was read can be written, and what was written says the same.
                let again = codec::encode(&entry).expect("what was read can be written");
                let once_more = codec::decode(&again).and_then(|entry| codec::encode(&entry));
                assert_eq!(once_more.as_ref(), Ok(&again));
            }
        },
    );
    assert!(
        read > 0,
        "spoiling that leaves nothing readable tries too little"
    );
}

#[test]
fn no_batch_makes_the_unpacker_panic_or_grow() {
    let target = Target {
        name: "batch",
        share: 20,
        memory: COUNTED,
    };
    let mut read = 0_u64;
    target.run(
        |chance| {
            let raws: Vec<_> = (0..chance.below(6)).map(|_| raw(chance)).collect();
            let mut packed = columns::pack(&raws);
            let other = raw(chance);
            if chance.once_in(8) {
                spoil(&mut packed, &other, chance);
                return packed;
            }
            // Under the compression, where the columns are.
            let mut laid_out = decompress_to_vec(&packed[1..]).expect("it was just packed");
            spoil(&mut laid_out, &other, chance);
            packed.truncate(1);
            packed.extend(compress_to_vec(&laid_out, 1));
            packed
        },
        |bytes| {
            if let Ok(raws) = columns::unpack(bytes, MOST_UNPACKED) {
                read += 1;
                assert!(raws.iter().map(Vec::len).sum::<usize>() <= MOST_UNPACKED);
                let again = columns::unpack(&columns::pack(&raws), MOST_UNPACKED);
                assert_eq!(again, Ok(raws));
            }
        },
    );
    assert!(
        read > 0,
        "spoiling that leaves nothing readable tries too little"
    );
}
