# shellcheck shell=bash
# One command for one tunnel or for all: the tests that hold real tunnels against the model, run by hand. Part of
# scripts/lab; tests/namespaces/tunnels does the work.

# lab_measure KEY|fast|uml|all [--into DIR]
lab_measure() {
  local what=${1:-} into='' keys key tests=() began=$SECONDS status
  if [[ ${2:-} == --into && -n ${3:-} ]]; then
    into=$3
  elif (($# != 1)); then
    fail "scripts/lab measure takes a tunnel's key, fast, uml or all, then perhaps --into DIR" "see scripts/lab --help"
  fi
  case $what in
    fast | uml) keys=$(lab_tunnels "$what") ;;
    all) keys=$(lab_tunnels) ;;
    *) lab_tunnel_load "$what" && keys=$what ;;
  esac || exit
  into=$(mkdir -p "${into:=lab-output/$(date +%Y-%m-%dT%H-%M-%S)}" && cd "$into" && pwd) || fail "the folder $into cannot be made"
  lab_check || exit
  use_cargo || fail "there is no cargo on this machine" "scripts/setup says how to get it"
  for key in $keys; do
    lab_tunnel_load "$key" || exit
    [[ ! -e $into/$key ]] || fail "$into holds results of $key already" "choose another folder with --into DIR"
    tests+=("tunnels::$TUNNEL_TIER::${key//-/_}")
  done
  say "lab: building, then measuring $(wc -w <<<"$keys") of the tunnels; what the tests say goes to $into/tests.log"
  (cd "$(dirname "${BASH_SOURCE[0]}")/../.." && CULVERT_LAB_INTO=$into CULVERT_LAB_ROUNDS=3 \
    cargo test --release --locked --package culvert --test namespaces -- --include-ignored --nocapture --exact "${tests[@]}") >>"$into/tests.log" 2>&1
  status=$?
  [[ ! -e $into/headings.txt ]] || cat "$into/headings.txt"
  for key in $keys; do
    if [[ -e $into/$key/row.txt ]]; then cat "$into/$key/row.txt"; else printf '%-22s no result: see tests.log\n' "$key"; fi
  done
  say "lab: done in $((SECONDS - began)) s; captures, plans and ledgers are in $into"
  return "$status"
}
