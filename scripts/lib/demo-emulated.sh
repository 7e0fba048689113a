# shellcheck shell=bash
# shellcheck disable=SC2154 # programs, plan and output are those of scripts/demo
# The demo over emulated paths: part of scripts/demo. It needs no root, and no
# command beyond what every Debian has and the build needs.

demo_check() {
  require_rust && require_compiler && require_namespaces
}

# The programs end together: culvert-pathlab holds both hosts, ends what still runs on them, and they vanish with it.
demo_survey() {
  say "demo: two hosts, and five paths emulated between them"
  # The commands run in a shell of their own and read these.
  export DEMO_PROGRAMS=$programs DEMO_OUTPUT=$output DEMO_PLAN=$plan
  # shellcheck disable=SC2016
  in_front "$programs/culvert-pathlab" run --config demo/paths.toml --truth "$output/truth.json" \
    --far 'exec "$DEMO_PROGRAMS/culvertd" --state "$DEMO_OUTPUT/listener" --close-after 15min 2>"$DEMO_OUTPUT/listener.log"' \
    --far-listens 28460 \
    --near 'exec "$DEMO_PROGRAMS/culvert" survey "$DEMO_PLAN" --ledger "$DEMO_OUTPUT/ledger.jsonl" --invite "$DEMO_OUTPUT/invite"' ||
    survey_failed "$?"
}

demo_end() {
  :
}

require_compiler() {
  # The cryptography's C parts need the C library's headers, and every Rust program is linked by it.
  printf '#include <stdint.h>\n#include <string.h>\nint main(void) { return 0; }\n' | "${CC:-cc}" -x c -o /dev/null - 2>/dev/null || {
    complain "there is no working C compiler here, and the build needs one to compile and to link" \
      "let root run scripts/setup, or install this system's package of it; Debian's are gcc and libc6-dev"
    return 1
  }
}

# Found out before minutes of building. Without unshare, culvert-pathlab says the same later.
require_namespaces() {
  ((EUID != 0)) && command -v unshare >/dev/null || return 0
  unshare --user --map-root-user --net true 2>/dev/null || {
    complain "this user may not make network namespaces here" \
      "run it as root, or let root allow it: sysctl -w user.max_user_namespaces=10000, and where they exist kernel.unprivileged_userns_clone=1 and kernel.apparmor_restrict_unprivileged_userns=0"
    return 1
  }
}
