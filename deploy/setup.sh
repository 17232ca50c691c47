#!/bin/bash
# What the scripts in deploy/ share: packages, the Rust toolchain, messages. Sourced, never run.
# Everything here may be repeated: what is already in place is left alone.

scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT

say() { printf '==> %s\n' "$*"; }

die() {
    printf '\n%s: FAILED: %s\n' "${script:-deploy}" "$*" >&2
    exit 1
}

# The line that `set -e` alone would leave unsaid.
on_error() {
    local status=$? line=$1 command=$2
    printf '\n%s: FAILED at line %s: %s (exit status %s)\n' "${script:-deploy}" "$line" "$command" "$status" >&2
    exit "$status"
}

# quiet COMMAND...: its output is seen when it fails, and then the script fails.
quiet() {
    "$@" >"$scratch/quiet.log" 2>&1 || {
        cat "$scratch/quiet.log" >&2
        die "$*"
    }
}

# same WHAT EXPECTED FOUND
same() {
    [ "$2" = "$3" ] || die "$1: '$3', not '$2'"
    say "ok: $1: $3"
}

as_root() {
    if [ "$(id -u)" -eq 0 ]; then
        "$@"
    elif command -v sudo >/dev/null; then
        sudo "$@"
    else
        die "needs root for: $* (run as root, or install sudo)"
    fi
}

installed() {
    [ "$(dpkg-query -W -f='${db:Status-Status}' "$1" 2>/dev/null)" = installed ]
}

package_lists=stale

# need WHY PACKAGE...: installs those that are missing, with one line that says which and why.
need() {
    local why=$1 package
    shift
    local missing=()
    for package in "$@"; do
        installed "$package" || missing+=("$package")
    done
    [ ${#missing[@]} -gt 0 ] || return 0
    say "installing ${missing[*]} ($why)"
    if [ "$package_lists" = stale ]; then
        as_root apt-get update -qq
        package_lists=fresh
    fi
    # Another package manager at work, such as unattended upgrades, is waited for.
    as_root env DEBIAN_FRONTEND=noninteractive apt-get -o DPkg::Lock::Timeout=600 install -y -qq --no-install-recommends \
        "${missing[@]}" \
        >"$scratch/apt.log" 2>&1 </dev/null || {
        tail -n 20 "$scratch/apt.log" >&2
        die "apt-get could not install ${missing[*]}"
    }
}

# at_least FOUND WANTED: compares version numbers.
at_least() {
    [ "$(printf '%s\n%s\n' "$2" "$1" | sort -V | head -n 1)" = "$2" ]
}

wanted_rust() { sed -n 's/^rust-version = "\(.*\)"/\1/p' Cargo.toml; }

# A toolchain counts when cargo and rustc both answer and both are new enough.
rust_is_good() {
    local cargo_version rustc_version
    cargo_version=$(cargo --version 2>/dev/null | cut -d ' ' -f 2) || return 1
    rustc_version=$(rustc --version 2>/dev/null | cut -d ' ' -f 2) || return 1
    [ -n "$cargo_version" ] && [ -n "$rustc_version" ] || return 1
    at_least "$cargo_version" "$(wanted_rust)" && at_least "$rustc_version" "$(wanted_rust)"
}

# Debian 12's own rustc is too old. Its security archive carries current ones, made for building browsers:
# rustc-web and cargo-web, with their programs under the usual names in /usr/bin.
debian_rust() {
    need "cargo is missing or older than $(wanted_rust); these are Debian 12's current ones, and replace rustc and cargo" \
        rustc-web cargo-web
    if [ $# -gt 0 ]; then
        need "the check formats and lints" "$@"
    fi
    export PATH="/usr/bin:$PATH"
    hash -r
    rust_is_good || die "Debian's rustc-web is older than $(wanted_rust): is the bookworm-security archive in the package sources?"
}

# rust [lint]: a toolchain that builds; with `lint`, cargo fmt and cargo clippy too.
rust() {
    local homes=("${HOME:-/root}") home
    # sudo resets PATH: look where rustup puts its programs, of this user and of the one behind sudo.
    if [ -n "${SUDO_USER:-}" ]; then
        homes+=("$(getent passwd "$SUDO_USER" | cut -d : -f 6)")
    fi
    for home in "${homes[@]}"; do
        if [ -x "$home/.cargo/bin/cargo" ]; then
            export PATH="$PATH:$home/.cargo/bin"
        fi
    done
    rust_is_good || debian_rust
    if [ "${1:-}" = lint ]; then
        if ! cargo fmt --version >/dev/null 2>&1 || ! cargo clippy --version >/dev/null 2>&1; then
            if installed cargo-web; then
                debian_rust rustfmt-web rust-web-clippy
            elif command -v rustup >/dev/null; then
                say "adding rustfmt and clippy to the rustup toolchain (the check formats and lints)"
                rustup -q component add rustfmt clippy
            else
                debian_rust rustfmt-web rust-web-clippy
            fi
        fi
        cargo fmt --version >/dev/null || die "cargo fmt does not run"
        cargo clippy --version >/dev/null || die "cargo clippy does not run"
    fi
    say "Rust: $(cargo --version), $(rustc --version)"
}

# build_by PROFILE: sets `build`, the command that builds the program, and `built`, its directory below target/.
build_by() {
    build=(cargo build --profile "$1" --locked --bin hornwire)
    built=$1
    # Tests of the whole program bring it with them.
    if [ "$1" = test ]; then
        build=(cargo test --locked --no-run --test demo)
        built=debug
    fi
}

build_packages() {
    if ! command -v dpkg-query >/dev/null || ! command -v apt-get >/dev/null; then
        die "this script sets up a Debian 12 machine; elsewhere install Rust, libopus and alsa-lib with headers, and run cargo"
    fi
    need "to build: C compiler and linker, libopus and alsa-lib" \
        gcc libc6-dev pkg-config libopus-dev libasound2-dev ca-certificates
}
