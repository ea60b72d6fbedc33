#!/usr/bin/env bash
# Makes the files of the yard page: TARGET/yard/, where the hub beside them finds them.
# Needs the Rust toolchain of this workspace; brings what else it needs.
set -euo pipefail
cd "$(dirname "$0")"

target=${CARGO_TARGET_DIR:-$(cd ../.. && pwd)/target}
version=$(sed -n 's/^wasm-bindgen = "=\([0-9.]*\)".*/\1/p' ../../Cargo.toml)
triple=wasm32-unknown-unknown
made=$target/$triple/phone/headwalk_yard.wasm

# Rust's own library for the browser comes through rustup where that can be had. Elsewhere Debian's
# compiler for the web brings its source, unpacked into a folder of its own and built with the page.
with_rustup() {
  command -v rustup >/dev/null && rustup target add "$triple" >&2
}
with_debian() {
  local web=$target/rust-web package packages
  echo "rustup brings no library for $triple: taking Debian's compiler for the web" >&2
  mkdir -p "$web"
  packages=$(apt-cache depends --recurse --no-recommends --no-suggests --no-conflicts \
      --no-breaks --no-replaces --no-enhances rustc-web cargo-web libstd-rust-web-dev rust-web-src |
    sed -n 's/^\([a-z][a-z0-9.+-]*\)$/\1/p' |
    grep -E '^(rustc-web|cargo-web|rust-web-src|libstd-rust-web|libllvm|libhttp-parser|libmbed|libgit2)')
  (cd "$web" && apt-get download -q $packages >&2)
  for package in "$web"/*.deb; do dpkg -x "$package" "$web"; done
  local needed has
  needed=$(sed -n 's/^rust-version = "\(.*\)"/\1/p' ../../Cargo.toml)
  export LD_LIBRARY_PATH=$web/usr/lib/x86_64-linux-gnu RUSTC=$web/usr/bin/rustc
  has=$("$RUSTC" --version | cut -d' ' -f2)
  if [ "$(printf '%s\n%s\n' "$needed" "$has" | sort -V | head -n 1)" != "$needed" ]; then
    echo "Debian's compiler here is $has, and this page needs $needed: install $triple with rustup" >&2
    exit 1
  fi
  # Debian's compiler brings no linker for the web; the one of the ordinary toolchain does.
  export CARGO_TARGET_WASM32_UNKNOWN_UNKNOWN_LINKER
  CARGO_TARGET_WASM32_UNKNOWN_UNKNOWN_LINKER=$(find "$(rustc --print sysroot)" -name rust-lld | head -n 1)
  RUSTC_BOOTSTRAP=1 "$web/usr/bin/cargo" build --locked --profile phone --target "$triple" \
    -Zbuild-std=std,panic_abort -p headwalk-yard
}
if with_rustup; then
  cargo build --locked --profile phone --target "$triple" -p headwalk-yard
else
  with_debian
fi

tool=$target/yard-tools/bin/wasm-bindgen
if [ "$("$tool" --version 2>/dev/null || true)" != "wasm-bindgen $version" ]; then
  # Without --locked: its own list of versions is older than the crates that it needs.
  CARGO_TARGET_DIR=$target/yard-tools/build \
    cargo install wasm-bindgen-cli --version "$version" --no-default-features --root "$target/yard-tools"
fi

new=$target/yard.new
rm -rf "$new"
mkdir -p "$new"
"$tool" --target web --no-typescript --remove-name-section --remove-producers-section \
  --out-dir "$new" --out-name core "$made"
cp page/* "$new/"
# The name of this making: the page notices by it that there is a newer one.
making=$(cat "$new"/* | sha256sum | cut -c1-16)
sed -i "s/MAKING/$making/" "$new/sw.js"
# A weak signal loads the short forms.
gzip -9 -k -n "$new"/*.wasm "$new"/*.js "$new"/*.css
rm -rf "$target/yard"
mv "$new" "$target/yard"
short=$(cat "$target"/yard/*.gz "$target"/yard/*.html "$target"/yard/*.svg "$target"/yard/*.webmanifest | wc -c)
echo "the yard page is in $target/yard: a phone loads $short bytes"
