#!/bin/bash
# Cross build for arm64 on an amd64 Debian 12 machine. Sourced by deploy/package, after deploy/setup.sh.
# rustup is not asked for a target: Debian's security archive has rustc-web with the standard library of every
# architecture. It is fetched with apt's own signatures and extracted below target/, as are the arm64 libraries: the
# machine stays of one architecture.

arm64_triple=aarch64-unknown-linux-gnu

# apt for both architectures with lists and cache of its own; the sources and keys are the machine's.
arm64_apt() {
    local command=$1
    shift
    mkdir -p "$arm64/apt/lists/partial" "$arm64/apt/archives/partial"
    "apt-$command" -o APT::Architecture=amd64 -o APT::Architectures::=amd64 -o APT::Architectures::=arm64 \
        -o Dir::State::lists="$arm64/apt/lists" -o Dir::State::status=/dev/null -o Dir::Cache::archives="$arm64/apt/archives" \
        -o Dir::Cache::pkgcache= -o Dir::Cache::srcpkgcache= -o Debug::NoLocking=1 -o Acquire::Languages=none \
        -o APT::Sandbox::User=root "$@"
}

# The compiler with its libraries, as far as the machine lacks them, and both standard libraries.
arm64_toolchain_packages() {
    local package
    arm64_apt get install -s --no-install-recommends rustc-web:amd64 libstd-rust-web-dev:amd64 >"$scratch/closure.txt" 2>&1 || {
        tail -n 5 "$scratch/closure.txt" >&2
        die "rustc-web is not in the package sources: is the bookworm-security archive among them?"
    }
    sed -n 's/^Inst \([^ ]*\) .*/\1/p' "$scratch/closure.txt" | while read -r package; do
        case $package in
            rustc-web | libstd-rust-web-*) printf '%s:amd64\n' "$package" ;;
            *) installed "$package" || printf '%s:amd64\n' "$package" ;;
        esac
    done
    printf '%s\n' libstd-rust-web-dev:arm64
}

# extract DIRECTORY PACKAGE...: downloads and unpacks. What was downloaded once is kept.
arm64_extract() {
    local into=$1
    shift
    (cd "$arm64/apt/archives" && arm64_apt get download -qq "$@" >"$scratch/download.log" 2>&1) || {
        tail -n 5 "$scratch/download.log" >&2
        die "cannot download: $*"
    }
    local package
    for package in "$@"; do
        local archive
        archive=$(find "$arm64/apt/archives" -maxdepth 1 -name "${package%:*}_*_${package#*:}.deb" -printf '%T@ %p\n' |
            sort -n | tail -n 1 | cut -d ' ' -f 2-)
        [ -n "$archive" ] || die "no archive of $package"
        dpkg-deb -x "$archive" "$into"
        # dpkg-shlibdeps reads here which version of a library the program needs.
        case $package in
            *:arm64)
                mkdir -p "$arm64/control/${package%:*}"
                dpkg-deb -x "$archive" "$arm64/control/${package%:*}"
                dpkg-deb -e "$archive" "$arm64/control/${package%:*}/DEBIAN"
                ;;
        esac
    done
}

arm64_setup() {
    [ "$(dpkg --print-architecture)" = amd64 ] || die "arm64 packages are built on arm64, or cross on amd64"
    arm64=$(readlink -f "$target")/arm64
    need "to build for arm64: cross compiler and C library; an emulator to try the program" \
        gcc-aarch64-linux-gnu libc6-dev-arm64-cross qemu-user-static
    mkdir -p "$arm64"
    local stamp=$arm64/ready wanted
    # Fetched anew when the archive has another compiler; asked for at most once a day.
    if [ -z "$(find "$stamp" -mtime -1 2>/dev/null)" ]; then
        say "asking the package archive for the arm64 compiler and libraries"
        mkdir -p "$arm64/apt/lists/partial"
        arm64_apt get update -qq
        wanted=$(arm64_apt cache show rustc-web:amd64 libstd-rust-web-dev:arm64 libopus0:arm64 libasound2:arm64 libc6:arm64 |
            sed -n '/^Package:/p; /^Version:/p')
        if [ "$wanted" != "$(cat "$stamp" 2>/dev/null)" ]; then
            say "fetching them into $arm64"
            rm -rf "$arm64/rust" "$arm64/sysroot" "$arm64/control"
            mkdir -p "$arm64/rust" "$arm64/sysroot" "$arm64/control"
            local packages
            mapfile -t packages < <(arm64_toolchain_packages)
            arm64_extract "$arm64/rust" "${packages[@]}"
            rm -rf "$arm64/control/libstd-rust-web-dev"
            arm64_extract "$arm64/sysroot" libc6:arm64 libgcc-s1:arm64 libopus0:arm64 libopus-dev:arm64 libasound2:arm64 \
                libasound2-dev:arm64
        fi
        printf '%s\n' "$wanted" >"$stamp"
    fi
    mkdir -p "$arm64/bin"
    cat >"$arm64/bin/rustc" <<END
#!/bin/sh
LD_LIBRARY_PATH="$arm64/rust/usr/lib/x86_64-linux-gnu\${LD_LIBRARY_PATH:+:\$LD_LIBRARY_PATH}"
export LD_LIBRARY_PATH
exec "$arm64/rust/usr/bin/rustc" "\$@"
END
    # cargo-deb calls it without knowing where the arm64 libraries are.
    {
        printf '#!/bin/sh\nexec /usr/bin/dpkg-shlibdeps'
        local library
        for library in libc6 libgcc-s1 libopus0 libasound2; do
            printf ' -S"%s" -l"%s"' "$arm64/control/$library" "$arm64/control/$library/usr/lib/aarch64-linux-gnu"
        done
        printf ' "$@"\n'
    } >"$arm64/bin/dpkg-shlibdeps"
    chmod 755 "$arm64/bin/rustc" "$arm64/bin/dpkg-shlibdeps"
    "$arm64/bin/rustc" --version >"$scratch/rustc.log" 2>&1 || {
        cat "$scratch/rustc.log" >&2
        die "the extracted rustc does not run"
    }
}

# in_arm64 COMMAND...: with cargo turned to arm64.
in_arm64() {
    env -u RUSTFLAGS -u RUSTC_WRAPPER \
        PATH="$arm64/bin:$PATH" \
        RUSTC="$arm64/bin/rustc" \
        CARGO_TARGET_DIR="$arm64/build" \
        CARGO_TARGET_AARCH64_UNKNOWN_LINUX_GNU_LINKER=aarch64-linux-gnu-gcc \
        CC_aarch64_unknown_linux_gnu=aarch64-linux-gnu-gcc \
        AR_aarch64_unknown_linux_gnu=aarch64-linux-gnu-ar \
        PKG_CONFIG_ALLOW_CROSS=1 \
        PKG_CONFIG_SYSROOT_DIR="$arm64/sysroot" \
        PKG_CONFIG_LIBDIR="$arm64/sysroot/usr/lib/aarch64-linux-gnu/pkgconfig" \
        "$@"
}

# arm64_run PROGRAM ARGUMENT...: under emulation, with the arm64 libraries.
arm64_run() {
    qemu-aarch64-static -L /usr/aarch64-linux-gnu -E "LD_LIBRARY_PATH=$arm64/sysroot/usr/lib/aarch64-linux-gnu" "$@"
}
