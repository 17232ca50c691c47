#!/bin/bash
# Clean Debian 12 machines for tests: a minimal system with systemd as PID 1, booted by systemd-nspawn in namespaces of
# its own, without a network. Sourced after deploy/setup.sh, with $target set.
#
#   machine_root                       makes $target/machine/root once; it is never changed afterwards
#   machine_layer LAYER PACKAGE...     makes $target/machine/LAYER once: what these packages add to the clean root
#   machine_make NAME [LAYER]          a fresh copy of it: an overlay in memory, at "$(machine_path NAME)", not booted
#   machine_chroot NAME COMMAND...     in the machine that is not booted, with the network of this one
#   machine_boot NAME [OPTION...]      boots it (makes it first if need be); OPTIONs are systemd-nspawn's
#   machine_run NAME COMMAND...        in the booted machine, as root
#   machine_pid NAME PID               what a process of the booted machine is called out here
#   machine_stop NAME                  powers it off; all that it wrote is gone
#
# Machines that are left are stopped when the script ends, however it ends.

declare -A machine_pids=() machine_made=()

trap 'machine_stop_all; rm -rf --one-file-system "$scratch"' EXIT
trap 'exit 129' HUP
trap 'exit 130' INT
trap 'exit 143' TERM

machine_stop_all() {
    local name
    for name in "${!machine_made[@]}"; do
        machine_stop "$name" || true
    done
}

machine_path() { printf '%s/machine-%s/root\n' "$scratch" "$1"; }
machine_label() { printf 'hornwire-%s-%s\n' "$1" "$$"; }

# Where this machine gets bookworm from, as lines for a sources file.
machine_sources() {
    local sources
    sources=$(apt-get indextargets --format '$(REPO_URI) $(RELEASE) $(COMPONENT) $(ORIGIN)' 'Created-By: Packages' 2>/dev/null |
        awk '$4 == "Debian" && $2 ~ /^bookworm(-updates|-security)?$/ && $3 == "main" { print "deb", $1, $2, $3 }' | sort -u)
    printf '%s\n' "${sources:-deb http://deb.debian.org/debian bookworm main}"
}

machine_root() {
    need "to make and boot a clean machine" debootstrap debian-archive-keyring systemd-container util-linux
    mkdir -p "$target/machine"
    local root part mirror sources lock
    # Two scripts at once make one root.
    exec {lock}>"$target/machine/lock"
    flock "$lock"
    root=$(readlink -f "$target/machine")/root
    if [ -d "$root" ]; then
        say "the clean root is there: $root"
        exec {lock}>&-
        return 0
    fi
    part=$root.part
    sources=$(machine_sources)
    mirror=$(awk '$3 == "bookworm" { print $2; exit }' <<<"$sources")
    say "making a clean Debian 12 root in $root (a minute or two, once)"
    as_root rm -rf --one-file-system "$part"
    as_root debootstrap --variant=minbase --include=systemd,dbus,udev,ca-certificates bookworm "$part" "$mirror" \
        >"$scratch/debootstrap.log" 2>&1 || {
        tail -n 20 "$scratch/debootstrap.log" >&2
        die "debootstrap"
    }
    as_root tee "$part/etc/apt/sources.list" <<<"$sources" >/dev/null
    # A proxy that this machine's apt uses is the other's too.
    apt-config dump | grep -E '^Acquire::https?::Proxy ' | as_root tee "$part/etc/apt/apt.conf.d/00proxy" >/dev/null || true
    as_root sh -c 'chroot "$1" apt-get update -qq && chroot "$1" env DEBIAN_FRONTEND=noninteractive apt-get dist-upgrade -y -qq &&
        chroot "$1" apt-get clean' sh "$part" >"$scratch/upgrade.log" 2>&1 </dev/null || {
        tail -n 20 "$scratch/upgrade.log" >&2
        die "the clean root cannot be brought up to date"
    }
    # Each machine gets an identity of its own at its boot.
    : | as_root tee "$part/etc/machine-id" >/dev/null
    as_root rm -f "$part/var/lib/dbus/machine-id" "$part/etc/hostname"
    as_root mv "$part" "$root"
    exec {lock}>&-
}

machine_layer() {
    local layer=$1 part root lock log=$scratch/layer.log
    shift
    machine_root
    mkdir -p "$target/machine"
    root=$(readlink -f "$target/machine")
    exec {lock}>"$target/machine/lock"
    flock "$lock"
    if [ "$(cat "$root/$layer.packages" 2>/dev/null)" != "$*" ]; then
        say "adding $* to the clean root, in $root/$layer (a minute, once)"
        part=$scratch/machine-$layer-layer
        as_root rm -rf --one-file-system "$root/$layer" "$root/$layer.packages" "$root/$layer.part"
        as_root mkdir -p "$root/$layer.part/changes" "$root/$layer.part/work" "$part/root"
        machine_made[$layer-layer]=yes
        as_root mount -t overlay -o "lowerdir=$root/root,upperdir=$root/$layer.part/changes,workdir=$root/$layer.part/work" \
            "hornwire-machine" "$part/root"
        # No service starts in a root that is not booted.
        { machine_chroot "$layer-layer" apt-get update -qq &&
            machine_chroot "$layer-layer" apt-get install -y -qq --no-install-recommends "$@" &&
            machine_chroot "$layer-layer" apt-get clean; } >"$log" 2>&1 </dev/null || {
            tail -n 20 "$log" >&2
            die "the packages $* cannot be added to the clean root"
        }
        machine_stop "$layer-layer"
        as_root mv "$root/$layer.part/changes" "$root/$layer"
        as_root rm -rf --one-file-system "$root/$layer.part"
        as_root tee "$root/$layer.packages" <<<"$*" >/dev/null
    fi
    exec {lock}>&-
}

machine_make() {
    local name=$1 layer=${2:-} base lower
    base=$scratch/machine-$name
    [ -z "${machine_made[$name]:-}" ] || die "a machine $name is there already"
    [ -d "$target/machine/root" ] || machine_root
    mkdir -p "$base"
    machine_made[$name]=yes
    as_root mount -t tmpfs -o mode=755 "hornwire-machine" "$base"
    as_root mkdir "$base/upper" "$base/work" "$base/root"
    lower=$(readlink -f "$target/machine")
    as_root mount -t overlay -o "lowerdir=${layer:+$lower/$layer:}$lower/root,upperdir=$base/upper,workdir=$base/work" \
        "hornwire-machine" "$base/root"
}

machine_chroot() {
    local root
    root=$(machine_path "$1")
    shift
    # Names are looked up as here.
    as_root cp -L --remove-destination /etc/resolv.conf "$root/etc/resolv.conf"
    as_root unshare --mount --pid --fork --mount-proc="$root/proc" chroot "$root" \
        /usr/bin/env -i PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin LC_ALL=C.UTF-8 DEBIAN_FRONTEND=noninteractive "$@"
}

# The machine's PID 1, as a process of this machine: the descendant of nspawn that is 1 in its own namespace.
machine_leader() {
    local todo=("$1") pid child
    while [ ${#todo[@]} -gt 0 ]; do
        pid=${todo[0]}
        todo=("${todo[@]:1}")
        for child in $(cat "/proc/$pid/task/$pid/children" 2>/dev/null); do
            if [ "$(awk '$1 == "NSpid:" && NF > 2 { print $NF }' "/proc/$child/status" 2>/dev/null)" = 1 ]; then
                printf '%s\n' "$child"
                return 0
            fi
            todo+=("$child")
        done
    done
    return 1
}

machine_boot() {
    local name=$1 root log register=() state deadline
    shift
    [ -n "${machine_made[$name]:-}" ] || machine_make "$name"
    root=$(machine_path "$name")
    log=$scratch/machine-$name.log
    # Where no systemd runs there is nobody to register with.
    [ -d /run/systemd/system ] || register=(--register=no --keep-unit)
    as_root systemd-nspawn --quiet --boot --directory="$root" --machine="$(machine_label "$name")" --private-network \
        --link-journal=no --resolv-conf=off --timezone=off --console=pipe "${register[@]}" "$@" \
        >"$log" 2>&1 </dev/null &
    machine_pids[$name]=$!
    deadline=$((SECONDS + 120))
    while :; do
        state=$(machine_run "$name" systemctl is-system-running 2>/dev/null || true)
        case $state in running | degraded) break ;; esac
        if [ $SECONDS -ge $deadline ] || ! kill -0 "${machine_pids[$name]}" 2>/dev/null; then
            tail -n 20 "$log" >&2
            die "the machine $name does not boot (state: ${state:-none})"
        fi
        sleep 0.5
    done
    [ "$state" = running ] || say "machine $name: degraded: $(machine_run "$name" systemctl --failed --plain --no-legend)"
}

machine_run() {
    local name=$1 leader
    shift
    leader=$(machine_leader "${machine_pids[$name]:-none}") || {
        printf 'the machine %s does not run\n' "$name" >&2
        return 125
    }
    as_root nsenter --target "$leader" --mount --uts --ipc --net --pid --cgroup --root -- \
        /usr/bin/env -i --chdir=/ PATH=/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin HOME=/root TERM=dumb LC_ALL=C.UTF-8 \
        DEBIAN_FRONTEND=noninteractive SYSTEMD_PAGER= "$@"
}

machine_pid() {
    local leader
    leader=$(machine_leader "${machine_pids[$1]:-none}") || return 1
    # The last number of NSpid is the one in there.
    as_root sh -c '
        namespace=$(readlink "/proc/$1/ns/pid")
        for status in $(grep -l -x -E "NSpid:.*[[:space:]]$2" /proc/[0-9]*/status 2>/dev/null); do
            process=${status%/status}
            [ "$(readlink "$process/ns/pid" 2>/dev/null)" != "$namespace" ] || echo "${process#/proc/}"
        done' sh "$leader" "$2" | head -n 1
}

machine_stop() {
    local name=$1 base=$scratch/machine-$1 pid leader waited=0
    pid=${machine_pids[$name]:-}
    if [ -n "$pid" ]; then
        # SIGRTMIN+4 asks systemd to power off.
        if leader=$(machine_leader "$pid"); then as_root kill -s RTMIN+4 "$leader" || true; fi
        while kill -0 "$pid" 2>/dev/null && [ $waited -lt 60 ]; do
            sleep 0.5
            waited=$((waited + 1))
        done
        if kill -0 "$pid" 2>/dev/null; then
            if leader=$(machine_leader "$pid"); then as_root kill -s KILL "$leader" || true; fi
        fi
        wait "$pid" 2>/dev/null || true
        unset "machine_pids[$name]"
    fi
    if [ -n "${machine_made[$name]:-}" ]; then
        if mountpoint -q "$base/root"; then as_root umount -R "$base/root" || as_root umount -l "$base/root"; fi
        if mountpoint -q "$base"; then as_root umount "$base" || as_root umount -l "$base"; fi
        rmdir "$base" 2>/dev/null || true
        unset "machine_made[$name]"
    fi
}
