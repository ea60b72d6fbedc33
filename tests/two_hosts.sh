#!/usr/bin/env bash
# Two hosts in network namespaces of this machine, with a slow link that goes down in the middle of
# an exchange: the next exchange must send what is missing and no more, bytes counted by the link.
# Needs root, ip and tc. Usage: tests/two_hosts.sh FOLDER_OF_THE_BINARIES
set -euo pipefail

bin=$(realpath "${1:-target/debug}")
work=$(mktemp -d)
device=hw-device-$$ office=hw-office-$$
export HEADWALK_NOW=2026-07-14T07:30:00-05:00

cleanup() {
  [ -z "${hub:-}" ] || kill "$hub" 2>/dev/null || true
  ip netns del "$device" 2>/dev/null || true
  ip netns del "$office" 2>/dev/null || true
  rm -rf "$work"
}
trap cleanup EXIT
cd "$work"

ip netns add "$device"
ip netns add "$office"
ip link add "hwd$$" type veth peer name "hwo$$"
ip link set "hwd$$" netns "$device" name link0
ip link set "hwo$$" netns "$office" name link0
ip -n "$device" addr add 10.77.0.1/24 dev link0
ip -n "$office" addr add 10.77.0.2/24 dev link0
ip -n "$device" link set link0 up
ip -n "$office" link set link0 up
ip netns exec "$device" tc qdisc add dev link0 root tbf rate 4mbit burst 32kb latency 400ms

headwalk() { ip netns exec "$device" "$bin/headwalk" "$@"; }
sent() { ip netns exec "$device" cat /sys/class/net/link0/statistics/tx_bytes; }

awk 'BEGIN {
  srand(1)
  print "thing,remark"
  for (n = 10; n < 9010; n++) {
    word = ""
    for (part = 0; part < 8; part++) word = word sprintf("%08x", rand() * 4294967296)
    printf "3-%04d,%s\n", n, word
  }
}' > heads.csv

begin() { # STORE FOLDER: a device with a backlog, let in at a new hub
  headwalk init --person "R. Ash" --store "$1" > /dev/null
  headwalk add site "Maple Court" --store "$1" > /dev/null
  headwalk add maple zone-3 --store "$1" > /dev/null
  headwalk import heads.csv --site maple --store "$1" > /dev/null
  ip netns exec "$office" "$bin/headwalk-server" --folder "$2" --listen 10.77.0.2:7007 \
    --open-to-network > "$2.out" 2> "$2.log" &
  hub=$!
  for _ in $(seq 100); do grep -q http "$2.out" && break || sleep 0.1; done
  code=$(sed -n 's/^first dispatcher code: \([^ ]*\).*/\1/p' "$2.out")
  headwalk enrol http://10.77.0.2:7007 "$code" --store "$1" > /dev/null
}
entries_there() { "$bin/headwalk" verify --store "$1/log.redb" --json | sed -n 's/.*"entries": \([0-9]*\).*/\1/p' | head -1; }

begin whole.redb one
before=$(sent)
headwalk exchange --store whole.redb > /dev/null
whole=$(($(sent) - before))
kill "$hub" && wait "$hub" || true
all=$(entries_there one)

begin cut.redb two
before=$(sent)
headwalk exchange --store cut.redb > cut.out 2>&1 &
call=$!
for _ in $(seq 600); do
  [ $(($(sent) - before)) -ge $((whole * 65 / 100)) ] && break || sleep 0.05
done
ip -n "$device" link set link0 down
! wait "$call" || { echo "the exchange ended before the cut" >&2; exit 1; }
kill "$hub" && wait "$hub" || true
acknowledged=$(entries_there two)
ip -n "$device" link set link0 up
ip netns exec "$office" "$bin/headwalk-server" --folder two --listen 10.77.0.2:7007 \
  --open-to-network >> two.out 2>> two.log &
hub=$!
for _ in $(seq 300); do [ "$(grep -c '"listening"' two.log)" -ge 2 ] && break || sleep 0.1; done
before=$(sent)
headwalk exchange --store cut.redb | tail -1
again=$(($(sent) - before))
kill "$hub" && wait "$hub" || true
"$bin/headwalk" verify --store two/log.redb
"$bin/headwalk" verify --store cut.redb

echo "$whole bytes for $all entries over a link that holds; cut with $acknowledged acknowledged;" \
  "$again bytes afterwards"
[ "$acknowledged" -gt 0 ] || { echo "nothing was acknowledged before the cut" >&2; exit 1; }
# What is missing, by its share, and a tenth for packets and talk.
most=$((whole * (all - acknowledged) / all + whole / 10))
[ "$again" -le "$most" ] || { echo "more than $most bytes: sent again" >&2; exit 1; }
echo "what was acknowledged was not sent again"
