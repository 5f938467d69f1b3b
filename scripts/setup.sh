# Common part of demo.sh and test.sh: sees that everything is there to build with, or says what is missing.
# shellcheck shell=bash
# To be sourced, after `set -euo pipefail`.

root_dir="$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)"

say() {
    printf '%s\n' "$*" >&2
}

die() {
    say "error: $*"
    exit 1
}

as_root() {
    if [ "$(id -u)" -eq 0 ]; then
        "$@"
    elif command -v sudo >/dev/null; then
        sudo "$@"
    else
        die "installing packages needs root, and sudo is not here; as root, run: $*"
    fi
}

# Prints the packages of the list: those that a build needs, and with `test` or `bench` what that needs too.
listed_packages() {
    local line
    while IFS= read -r line; do
        case "$line" in
            '' | '#'*) continue ;;
            *'# '*) [ "${line##*# }" = "$1" ] || continue ;;
        esac
        printf '%s\n' "${line%% *}"
    done <"$root_dir/scripts/apt-packages.txt"
}

install_packages() {
    local package
    local -a missing=()
    while IFS= read -r package; do
        if [ "$(dpkg-query --show --showformat '${db:Status-Status}' "$package" 2>/dev/null)" != installed ]; then
            missing+=("$package")
        fi
    done < <(listed_packages "$1")
    [ "${#missing[@]}" -gt 0 ] || return 0
    say "installing ${missing[*]}"
    as_root env DEBIAN_FRONTEND=noninteractive apt-get update --quiet </dev/null >&2
    as_root env DEBIAN_FRONTEND=noninteractive apt-get install --yes --quiet --no-install-recommends \
        "${missing[@]}" </dev/null >&2
}

rust_needed() {
    sed -n 's/^rust-version = "\(.*\)"$/\1/p' "$root_dir/Cargo.toml"
}

# at_least HAVE WANT
at_least() {
    [ "$(printf '%s\n%s\n' "$2" "$1" | sort -V | head -n 1)" = "$2" ]
}

say_needs() {
    say "blockwright needs GDAL 3.6 or newer with its headers, pkg-config, a C toolchain and Rust $(rust_needed) or newer."
    say "  Fedora:  sudo dnf install gdal-devel gdal pkgconf-pkg-config gcc"
    say "  Arch:    sudo pacman -S gdal pkgconf base-devel"
    say "  macOS:   brew install gdal pkgconf"
}

check_gdal() {
    local have
    command -v pkg-config >/dev/null || { say_needs; die "pkg-config was not found"; }
    command -v cc >/dev/null || { say_needs; die "no C compiler was found (looked for cc)"; }
    have="$(pkg-config --modversion gdal 2>/dev/null)" || { say_needs; die "GDAL's headers were not found"; }
    at_least "$have" 3.6 || { say_needs; die "GDAL is $have, which is too old"; }
}

check_rust() {
    local have
    # Where the usual installer puts it, for shells that have not read its profile.
    if ! command -v cargo >/dev/null && [ -x "${CARGO_HOME:-$HOME/.cargo}/bin/cargo" ]; then
        PATH="${CARGO_HOME:-$HOME/.cargo}/bin:$PATH"
        export PATH
    fi
    command -v cargo >/dev/null ||
        die "cargo was not found; install Rust $(rust_needed) or newer as described on https://rustup.rs, then run this again"
    have="$(cd "$root_dir" && rustc --version | cut -d ' ' -f 2)"
    at_least "${have%%-*}" "$(rust_needed)" ||
        die "Rust is $have, but $(rust_needed) or newer is needed; \`rustup update stable\` brings it"
}

# set_up build|test
set_up() {
    if command -v apt-get >/dev/null && command -v dpkg-query >/dev/null; then
        install_packages "$1"
    fi
    check_gdal
    check_rust
}
