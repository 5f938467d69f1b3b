#!/usr/bin/env bash
# Builds a Debian package of what is handed out: target/debian/blockwright_VERSION_ARCH.deb. It depends on the distribution's
# GDAL, in the version that it was built with. `scripts/debian.sh --try` unpacks it afterwards and lays out a small demo.
set -euo pipefail

# shellcheck source=scripts/setup.sh
source "$(dirname "${BASH_SOURCE[0]}")/setup.sh"

trial=false
case "${1:-}" in
    '') ;;
    --try) trial=true ;;
    *)
        echo "usage: scripts/debian.sh [--try]" >&2
        exit 2
        ;;
esac
for tool in dpkg-deb dpkg-shlibdeps; do
    if ! command -v "$tool" >/dev/null; then
        echo "$tool is missing: install dpkg-dev" >&2
        exit 1
    fi
done

set_up build
cd "$root_dir"
cargo build --profile dist --locked
program=target/dist/blockwright
version="$("$program" --version | cut -d' ' -f2)"
architecture="$(dpkg --print-architecture)"
folder="target/debian/blockwright_${version}_$architecture"
rm -rf "$folder" "$folder.deb"

share="$folder/usr/share"
install -D -m 755 "$program" "$folder/usr/bin/blockwright"
mkdir -p "$share/man/man1"
"$program" man | gzip -9n >"$share/man/man1/blockwright.1.gz"
for pair in bash:bash-completion/completions/blockwright zsh:zsh/vendor-completions/_blockwright fish:fish/vendor_completions.d/blockwright.fish; do
    mkdir -p "$share/$(dirname "${pair#*:}")"
    "$program" completions "${pair%%:*}" >"$share/${pair#*:}"
done
for file in README.md LICENSE-MIT LICENSE-APACHE docs/*.md; do
    install -D -m 644 "$file" "$share/doc/blockwright/$file"
done
printf 'Licence: MIT or Apache 2.0, as you choose; both texts are beside this file.\n' >"$share/doc/blockwright/copyright"

# dpkg-shlibdeps names the packages of the libraries that the program asks for, with the versions whose symbols it uses.
work="$(mktemp -d)"
trap 'rm -rf "$work"' EXIT
mkdir "$work/debian"
printf 'Source: blockwright\n\nPackage: blockwright\nArchitecture: any\n' >"$work/debian/control"
binary="$PWD/$folder/usr/bin/blockwright"
depends="$(cd "$work" && dpkg-shlibdeps -O "$binary" 2>/dev/null | sed -n 's/^shlibs:Depends=//p')"
if [[ "$depends" != *gdal* ]]; then
    echo "the program does not ask for GDAL's library: ${depends:-nothing}" >&2
    exit 1
fi

mkdir "$folder/DEBIAN"
cat >"$folder/DEBIAN/control" <<EOF
Package: blockwright
Version: $version
Architecture: $architecture
Maintainer: the makers of blockwright <nobody@localhost>
Section: science
Priority: optional
Installed-Size: $(du -ks "$folder/usr" | cut -f1)
Depends: $depends
Description: prepares felling blocks
 Buffers, strips, retention corridors, day and night sections, machine hours
 and proofs against the rules, for a season of felling blocks at once, from
 layers in open formats.
EOF
find "$folder" -type d -exec chmod 755 {} +
dpkg-deb --root-owner-group --build "$folder" "$folder.deb" >/dev/null
echo "$folder.deb: $(stat -c %s "$folder.deb") bytes; depends on $depends"

if $trial; then
    dpkg-deb -x "$folder.deb" "$work/root"
    status=0
    "$work/root/usr/bin/blockwright" demo --out "$work/demo" --blocks 6 --quiet || status=$?
    # Features of the demo are broken on purpose: done, but something was set aside.
    if [ "$status" -ne 3 ] || [ ! -s "$work/demo/layout/layout.gpkg" ]; then
        echo "the unpacked program did not lay the demo out: it ended with $status" >&2
        exit 1
    fi
    gzip -dc "$work/root/usr/share/man/man1/blockwright.1.gz" | grep -q 'blockwright' || exit 1
    echo 'unpacked and tried: it lays out the demo'
fi
