"""Checks a file that `headwalk export entries --out FILE` wrote, without any of headwalk's code.

    python3 -m venv venv && venv/bin/pip install blake3==1.0.11 cryptography==50.0.2
    venv/bin/python tests/reference/check_export.py FILE

Follows the procedure in DEVELOPERS.md ("Exports that prove themselves"). Says `N entries: all as
written` and ends with 0, or names the first line that is not and ends with 1. It reads an entry's
head (who, when, which number, what it follows) and holds the line's words against it; the words of
values it does not read: `headwalk verify --export FILE` does.
"""

import json
import sys
from datetime import datetime, timedelta, timezone

from blake3 import blake3
from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

LINK = "headwalk 2026 entry chain v1"
TIP = "headwalk 2026 entry tip v1"
DEVICE = "headwalk 2026 device of key v1"
SEAL = b"headwalk 2026 seal v1"
SEAL_ROOT = b"headwalk 2026 seal v2"
SEALED_CHAIN = "headwalk 2026 sealed chain v1"
SEALED_CHAINS = "headwalk 2026 sealed chains v1"


class Wrong(Exception):
    """What is wrong, and with which line."""


def derived(context, *parts):
    hasher = blake3(derive_key_context=context)
    for part in parts:
        hasher.update(part)
    return hasher


class Reader:
    """postcard: numbers in seven-bit groups, least first; signed ones zig-zag; lengths before."""

    def __init__(self, data):
        self.data, self.at = data, 0

    def bytes(self, count):
        taken = self.data[self.at : self.at + count]
        if len(taken) < count:
            raise Wrong("its bytes are cut short")
        self.at += count
        return taken

    def number(self):
        value = shift = 0
        while True:
            byte = self.bytes(1)[0]
            value |= (byte & 0x7F) << shift
            if byte < 0x80:
                return value
            shift += 7

    def signed(self):
        value = self.number()
        return (value >> 1) ^ -(value & 1)


def hyphened(data):
    digits = data.hex()
    return "-".join((digits[:8], digits[8:12], digits[12:16], digits[16:20], digits[20:]))


def head(raw):
    """An entry's head: format, logbook, device, seq, prev, stamp, offset, by, visit, gained."""
    read = Reader(raw)
    if read.bytes(1) != b"\x01":
        raise Wrong("it is an entry of another format")
    entry = {"logbook": read.bytes(16), "device": read.bytes(16), "seq": read.number()}
    entry["prev"] = read.bytes(8)
    entry["wall_ms"] = read.number() >> 16
    entry["offset_min"] = read.signed()
    entry["by"] = read.bytes(read.number()).decode()
    entry["visit"] = read.bytes(16) if read.bytes(1) == b"\x01" else None
    gained = []
    for _ in range(read.number()):
        gained.append((read.bytes(16), read.number(), read.bytes(8)))
    entry["gained"] = gained
    entry["changes"] = read.number()
    return entry


def check_words(line, entry):
    offset = timezone(timedelta(minutes=entry["offset_min"]))
    at = datetime.fromtimestamp(entry["wall_ms"] / 1000, timezone.utc)
    said = {
        "logbook": hyphened(entry["logbook"]),
        "device": hyphened(entry["device"]),
        "seq": entry["seq"],
        "by": entry["by"],
        "visit": hyphened(entry["visit"]) if entry["visit"] else None,
    }
    for name, value in said.items():
        if line.get(name) != value:
            raise Wrong(f"`{name}` is not what its bytes say")
    if datetime.fromisoformat(line["at"].replace("Z", "+00:00")) != at:
        raise Wrong("`at` is not what its bytes say")
    if datetime.fromisoformat(line["at"].replace("Z", "+00:00")).utcoffset() != offset.utcoffset(at):
        raise Wrong("`at` is at another offset than its bytes say")
    if line.get("gained", {}) != {hyphened(d): seq for d, seq, _ in entry["gained"]}:
        raise Wrong("`gained` is not what its bytes say")
    if len(line["changes"]) != entry["changes"]:
        raise Wrong("it tells of more or fewer changes than its bytes hold")


def check_seal(seal, links):
    key, link = bytes.fromhex(seal["key"]), bytes.fromhex(seal["digest"])
    device = derived(DEVICE, key).digest(16)
    logbook = bytes.fromhex(seal["logbook"].replace("-", ""))
    end = logbook + device + seal["seq"].to_bytes(8, "big") + link
    message = SEAL + end
    if seal.get("path"):
        digest = derived(SEALED_CHAIN, end).digest(32)
        for step in seal["path"]:
            [(side, beside)] = step.items()
            beside = bytes.fromhex(beside)
            two = {"left": beside + digest, "right": digest + beside}[side]
            digest = derived(SEALED_CHAINS, two).digest(32)
        message = SEAL_ROOT + device + digest
    try:
        Ed25519PublicKey.from_public_bytes(key).verify(bytes.fromhex(seal["signature"]), message)
    except InvalidSignature:
        raise Wrong("it is no seal of that device") from None
    if links.get(link) != (logbook, device, seal["seq"]):
        raise Wrong(f"it covers entry {seal['seq']}, which is not there as it was")
    return link


def lines_of(path):
    so_far = b""
    with open(path, encoding="utf-8", newline="\n") as file:
        for number, whole in enumerate(file, 1):
            body, parted, told = whole.rpartition(',"so_far":"')
            if not parted or not told.endswith('"}\n'):
                raise Wrong(f"line {number}: it is cut short, or no line of an export")
            told = told[:-3].encode()
            running = blake3(so_far + body.encode()).hexdigest(16).encode()
            if running != told:
                raise Wrong(f"line {number}: it, or what stood before it, is another: {body[:140]}")
            so_far = told
            yield number, json.loads(body + "}")


def check(path):
    counts, chains, seals, entries = None, [], [], []
    for number, line in lines_of(path):
        if number == 1:
            counts = line
            if line.get("export") != 1:
                raise Wrong("line 1: it is no export of format 1")
        elif "chain" in line:
            chains.append((number, line["chain"]))
        elif "seal" in line:
            seals.append((number, line["seal"]))
        else:
            raw = bytes.fromhex(line["bytes"])
            entries.append((number, line, raw, head(raw)))
    told = {"entries": len(entries), "chains": len(chains), "seals": len(seals)}
    for what, there in told.items():
        if counts is None or counts[what] != there:
            raise Wrong(f"line 1: {there} {what} are there, and another number is said")

    # Chains, from their first entries on: links by logbook, device, number and tip.
    walked, ends = {}, {}
    for number, line, raw, entry in sorted(entries, key=lambda e: e[3]["seq"]):
        name = (entry["logbook"], entry["device"], entry["seq"])
        try:
            check_words(line, entry)
            if entry["seq"] == 1:
                before = derived(LINK, entry["logbook"], entry["device"]).digest()
            else:
                prev = (*name[:2], entry["seq"] - 1, entry["prev"])
                ends.pop(prev, None)
                before = walked.get(prev)
                if before is None:
                    raise Wrong("the entry that it follows is not there")
            link = derived(LINK, before, raw).digest()
            if line["digest"] != link.hex():
                raise Wrong("its digest is another")
            mark = (*name, derived(TIP, raw).digest(8))
            if mark in walked:
                raise Wrong("it is there twice")
        except Wrong as wrong:
            raise Wrong(f"line {number}, entry {line.get('seq')} of {line.get('device')}: {wrong}")
        walked[mark], ends[mark] = link, link
    for number, line, _, entry in entries:
        for mark in entry["gained"]:
            if (entry["logbook"], *mark) not in walked:
                raise Wrong(f"line {number}: it had seen entry {mark[1]}, which is not there")
    followed = {(*m[:2], e["seq"] - 1, e["prev"]) for m, e in
                (((e["logbook"], e["device"]), e) for _, _, _, e in entries)}
    ends = {mark: link for mark, link in ends.items() if mark not in followed}
    links = {link: mark[:3] for mark, link in walked.items()}
    covered = set()
    for number, seal in seals:
        try:
            covered.add(check_seal(seal, links))
        except Wrong as wrong:
            raise Wrong(f"line {number}: {wrong}") from None
    told = {(c["logbook"], c["device"], c["entries"], c["tip"], c["digest"]) for _, c in chains}
    there = {(hyphened(m[0]), hyphened(m[1]), m[2], m[3].hex(), link.hex())
             for m, link in ends.items()}
    if told != there:
        raise Wrong(f"the chains end otherwise than the first lines say: {sorted(told ^ there)[0]}")
    unsealed = sum(1 for link in ends.values() if link not in covered)
    return len(entries), len(chains), unsealed


def main(path):
    try:
        entries, chains, unsealed = check(path)
    except Wrong as wrong:
        print(f"{path} is not what was written: {wrong}")
        return 1
    print(f"{entries} entries in {chains} chains: all as written; {unsealed} chains end unsealed")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
