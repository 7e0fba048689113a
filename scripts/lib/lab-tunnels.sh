# shellcheck shell=bash
# The lab's tunnels: finds, brings up, takes down. Part of lab.sh, which says what a tunnel's file must hold.

LAB_TUNNELS=$(dirname "${BASH_SOURCE[0]}")/tunnels

# lab_tunnels [fast|uml]: the keys of the tunnels of that tier, or of all
lab_tunnels() {
  local file key
  [[ ${1:-fast} =~ ^(fast|uml)$ ]] || {
    complain "there is no tier \"$1\"" "the tiers are fast and uml"
    return 1
  }
  for file in "$LAB_TUNNELS"/*.sh; do
    key=$(basename "$file" .sh)
    (lab_tunnel_load "$key" && [[ ${1:-$TUNNEL_TIER} == "$TUNNEL_TIER" ]]) && printf '%s\n' "$key"
  done
  return 0
}

# lab_tunnel_load KEY: reads the tunnel's file; afterwards TUNNEL_KEY and its facts are set and its functions defined
# shellcheck disable=SC2034,SC2317 # facts are read by name, functions replaced by the file
lab_tunnel_load() {
  [[ ${1:-} =~ ^[a-z0-9][a-z0-9-]*$ && -e $LAB_TUNNELS/$1.sh ]] || {
    complain "there is no tunnel \"${1:-}\"" "scripts/lab tunnels lists them"
    return 1
  }
  TUNNEL_KEY=$1 TUNNEL_STATE=${LAB_STATE:-}/tunnel-$1
  TUNNEL_TIER=fast TUNNEL_ENCAPSULATIONS='' TUNNEL_MTU='' TUNNEL_LONGEST='' TUNNEL_FILTER='' TUNNEL_NEEDS=''
  TUNNEL_TARGET=$LAB_WORKSHOP_ADDRESS TUNNEL_PLACE=inside TUNNEL_WITHIN=0.5
  TUNNEL_RATE=100Mbit/s TUNNEL_QUEUE=100 TUNNEL_PATIENCE=10
  tunnel_up() { :; }
  tunnel_is_up() { :; }
  tunnel_down() { :; }
  # shellcheck disable=SC1090 # one of several
  . "$LAB_TUNNELS/$1.sh" || return
  TUNNEL_LONGEST=${TUNNEL_LONGEST:-$TUNNEL_MTU}
}

# lab_tunnel_facts: the facts of the tunnel that was loaded, as shell assignments
lab_tunnel_facts() {
  local name
  for name in KEY TIER PLACE ENCAPSULATIONS TARGET MTU LONGEST FILTER WITHIN RATE QUEUE PATIENCE; do
    name=TUNNEL_$name
    printf "%s='%s'\n" "$name" "${!name}"
  done
}

# lab_tunnel_up KEY: brings the tunnel up and returns when a ping went through; a tunnel that is up stays as it is
lab_tunnel_up() {
  local needed
  lab_tunnel_load "${1:-}" || return
  for needed in $TUNNEL_NEEDS; do
    [[ -e $needed ]] || command -v "$needed" >/dev/null || {
      complain "the tunnel $1 needs $needed, which is missing here" "run scripts/setup as root; /dev/net/tun comes from the tun module, or from the container's owner"
      return 1
    }
  done
  lab_locked lab_tunnel_build
}

# lab_tunnel_down KEY: takes the tunnel down; no tunnel is no error
lab_tunnel_down() {
  lab_tunnel_load "${1:-}" && lab_locked lab_tunnel_clear
}

# lab_tunnel_is_up KEY: does a packet go through the tunnel to its target?
lab_tunnel_is_up() {
  lab_tunnel_load "${1:-}" && lab_tunnel_carries
}

# tunnel_start ROLE COMMAND…: for a tunnel's file: starts a process there, its output in $LAB_STATE/tunnel-KEY.log. It
# ends with the tunnel.
tunnel_start() {
  lab_launch "tunnel-$TUNNEL_KEY" "$@"
}

lab_tunnel_build() {
  local other
  ! lab_tunnel_carries || return 0
  for other in "$LAB_STATE"/tunnel-*/; do
    other=${other%/}
    [[ ! -d $other || $other == "$TUNNEL_STATE" ]] || {
      other=${other#"$LAB_STATE/tunnel-"}
      complain "the tunnel $other is up in the lab $LAB_NAME, and one stands at a time" "take it down with: scripts/lab tunnel-down $LAB_NAME $other"
      return 1
    }
  done
  lab_tunnel_clear || return
  : >"$LAB_STATE/tunnel-$TUNNEL_KEY.log"
  if (umask 077 && mkdir "$TUNNEL_STATE") && lab_tunnel_quiet && tunnel_up && wait_for "$TUNNEL_PATIENCE" lab_tunnel_carries; then return; fi
  complain "the tunnel $TUNNEL_KEY of the lab $LAB_NAME did not come up: $(tail -n 1 "$LAB_STATE/tunnel-$TUNNEL_KEY.log")"
  lab_tunnel_clear
  return 1
}

# A new device with IPv6 tells its multicast groups into the tunnel, some seconds later and unasked.
lab_tunnel_quiet() {
  local role
  for role in cabin gateway; do
    ! lab_has_ipv6 || lab_run "$role" sysctl -qw net.ipv6.conf.default.disable_ipv6=1 || return
  done
}

lab_tunnel_carries() {
  [[ -d $TUNNEL_STATE ]] && tunnel_is_up && lab_run cabin ping -q -c 1 -W 1 "$TUNNEL_TARGET" >/dev/null 2>&1
}

lab_tunnel_clear() {
  local status=0
  lab_end "tunnel-$TUNNEL_KEY" || status=1
  tunnel_down || status=1
  rm -rf "$TUNNEL_STATE"
  return "$status"
}
