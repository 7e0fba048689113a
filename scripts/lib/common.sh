# shellcheck shell=bash
# Words and small tests that every script here shares. Source it.

# Debian leaves these out of an ordinary user's search path.
PATH=$PATH:/usr/sbin:/sbin

say() {
  printf '%s\n' "$*" >&2
}

# complain SENTENCE [HINT]
complain() {
  printf 'error: %s\n' "$1" >&2
  if (($# > 1)); then printf 'hint: %s\n' "$2" >&2; fi
}

# fail SENTENCE [HINT]: complains and ends the script
fail() {
  complain "$@"
  exit 1
}

# wait_for SECONDS COMMAND…: until the command succeeds; fails when the time is over
wait_for() {
  local give_up_at=$((SECONDS + $1 + 1))
  shift
  until "$@" >/dev/null 2>&1; do
    ((SECONDS < give_up_at)) || return 1
    sleep 0.1
  done
}

# started_at PID: the kernel's start time of a process that runs. With it a process number names one process for good,
# whoever gets the number next.
started_at() {
  local line fields
  { line=$(<"/proc/$1/stat"); } 2>/dev/null || return 1
  read -ra fields <<<"${line##*) }"
  # Ended and not yet reaped counts as gone: not every container's first process reaps.
  [[ ${fields[0]} != [ZX] ]] && printf '%s\n' "${fields[19]}"
}

# still_runs PID START
still_runs() {
  local now
  now=$(started_at "$1") && [[ $now == "$2" ]]
}

# use_cargo: finds cargo, also where rustup has put it for a shell that has not been opened anew
use_cargo() {
  command -v cargo >/dev/null || PATH=$PATH:${CARGO_HOME:-${HOME:-}/.cargo}/bin
  command -v cargo >/dev/null
}

# require_rust: a cargo that is new enough for the Cargo.toml of the current directory
require_rust() {
  local needed found
  needed=$(sed -n 's/^rust-version = "\(.*\)"/\1/p' Cargo.toml)
  use_cargo || {
    complain "there is no cargo on this machine, and the build needs Rust $needed or later" "install it as https://www.rust-lang.org/tools/install says, which needs no root, then run this again"
    return 1
  }
  found=$(cargo --version | cut -d ' ' -f 2)
  printf '%s\n' "$needed" "$found" | sort -CV || {
    complain "cargo is ${found:-broken} here, and the build needs Rust $needed or later" "rustup update stable; Debian 12's own packages are too old"
    return 1
  }
}
