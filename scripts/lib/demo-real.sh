# shellcheck shell=bash
# shellcheck disable=SC2154 # programs, plan and output are those of scripts/demo
# The demo through a real tunnel: part of scripts/demo.

# shellcheck source=scripts/lib/lab.sh
. "$(dirname "${BASH_SOURCE[0]}")/lab.sh"

demo_check() {
  scripts/setup && use_cargo && lab_check
}

demo_survey() {
  build_lab
  start_listener
  in_front ip netns exec "$LAB_CABIN" "$programs/culvert" survey "$plan" \
    --ledger "$output/ledger.jsonl" --invite "$output/invite" || survey_failed "$?"
}

# demo_end: takes everything down; again and before there is anything is no error
demo_end() {
  # Interrupted during the build, there is no lab yet.
  [[ -n ${LAB_STATE:-} ]] || return 0
  if [[ -d $LAB_STATE ]]; then lab_stop listener; fi
  if [[ -e $LAB_STATE/listener.log ]]; then cp "$LAB_STATE/listener.log" "$output/listener.log"; fi
  lab_down_if_ours
}

build_lab() {
  lab_use "demo-$$" || exit
  # The plan's own commands read this.
  export LAB_NAME
  say "demo: building four network namespaces, 100 Mbit/s of Ethernet between cabin and workshop"
  lab_up 100Mbit/s && lab_keep_while "$$" || exit
}

start_listener() {
  lab_start listener workshop "$programs/culvertd" --state "$output/listener" || exit
  wait_for 5 listener_is_ready || fail "culvertd did not begin to listen within 5 s: $(tail -n 1 "$LAB_STATE/listener.log")"
}

listener_is_ready() {
  [[ -n $(lab_run workshop ss -Hltn "sport = :$LAB_PORT") ]]
}
