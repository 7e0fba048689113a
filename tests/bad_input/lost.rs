//! Peers that cannot be reached, vanish, fall silent, or are stopped by the practitioner.

use std::net::{TcpListener, UdpSocket};
use std::thread;
use std::time::{Duration, Instant};

use culvert_record::{RunRecord, VoidReason};

use crate::common::{Bench, GONE_WITHIN, LIMIT, Pair, Running, V4, V6, alone, runs_in, within};
use crate::{LONG, SHORT};

/// Each kind of session, both ways, so that each end transmits and receives.
const KINDS: [&[&str]; 2] = [
    &["bulk", "--toward", "both", "--ledger", "l.jsonl"],
    &["paced", "--pace", "2Mbit/s", "--toward", "both", "--ledger", "l.jsonl"],
];

#[test]
fn a_closed_port_is_unreachable() {
    let bench = Bench::new();
    bench.invite("owner", &[]);
    for ip in [V4, V6] {
        // Bound and closed again: nobody listens there now.
        let free = TcpListener::bind((ip, 0)).and_then(|free| free.local_addr()).expect("a port");
        let target = free.to_string();
        let done = bench.run(&["bulk", &target, "--invite", "owner.invite", "--ledger", "l.jsonl"]);
        done.complains(3, &[&target]);
        assert!(done.took < GONE_WITHIN, "{done:#?}");
    }
    assert_eq!(runs_in(&bench.path("l.jsonl")), [], "what never ran is no run");
    let done = bench.run(&["bulk", "no-such-host.invalid", "--invite", "owner.invite"]);
    done.complains(3, &["no-such-host.invalid"]);
}

#[test]
fn something_else_that_listens_is_no_listener() {
    let bench = Bench::new();
    bench.invite("owner", &[]);
    let door = TcpListener::bind((V4, 0)).expect("a port");
    let target = door.local_addr().expect("its address").to_string();
    let greeter = thread::spawn(move || {
        use std::io::Write as _;

        let (mut stream, _) = door.accept().expect("culvert dials");
        let _ = stream.write_all(b"220 mail.example.net ready\r\n");
        thread::sleep(Duration::from_millis(300));
    });
    bench.run(&["bulk", &target, "--invite", "owner.invite"]).complains(4, &[&target]);
    greeter.join().expect("the greeter");
}

#[test]
fn a_listener_that_crashes_ends_the_session_and_the_run_is_void() {
    let _alone = alone();
    for kind in KINDS {
        let mut pair = Pair::at(V4);
        let running = started(&pair, kind);
        pair.listener_mut().crash();
        let done = running.wait_within(GONE_WITHIN);
        done.complains(3, &["void"]);
        let void = only_run(&pair);
        assert!(matches!(void, VoidReason::ControlLost { .. }), "{void:?}");
        // A listener that was restarted in the meantime serves the next session.
        let again = pair.bench().listener_at(pair.listener().address(), &[]);
        assert_eq!(again.address(), pair.listener().address());
        pair.run(&kind[..kind.len() - 2], &SHORT).expect_code(0);
    }
}

#[test]
fn a_listener_that_falls_silent_is_given_up() {
    let _alone = alone();
    for kind in KINDS {
        let pair = Pair::at(V6);
        let running = started(&pair, kind);
        pair.listener().signal("STOP");
        // Its kernel still acknowledges: only its silence tells. Four seconds are its patience.
        let done = running.wait_within(Duration::from_secs(12));
        done.complains(3, &["void"]);
        assert!(matches!(only_run(&pair), VoidReason::ControlLost { .. }));
    }
}

#[test]
fn a_sender_that_crashes_leaves_the_listener_as_it_was() {
    let _alone = alone();
    for kind in KINDS {
        let pair = Pair::at(V4);
        let idle = pair.listener().idle();
        started(&pair, kind).crash();
        let before = Instant::now();
        pair.listener().becomes_idle(idle);
        let left = GONE_WITHIN.saturating_sub(before.elapsed());
        let next = pair.start(&kind[..kind.len() - 2], &SHORT);
        next.wait_within(left + Duration::from_secs(10)).expect_code(0);
        pair.listener().becomes_idle(idle);
    }
}

#[test]
fn the_next_session_need_not_wait_for_a_crashed_one() {
    let _alone = alone();
    let pair = Pair::at(V4);
    started(&pair, &["bulk"]).crash();
    // Granted within five seconds: the same command tries until then.
    let served = within(GONE_WITHIN, || pair.run(&["bulk"], &SHORT).code == Some(0));
    assert!(served, "{}", pair.listener().log());
}

#[test]
fn a_sender_that_falls_silent_is_given_up() {
    let _alone = alone();
    // While the listener sends, three seconds of silence end it.
    let pair = Pair::at(V4);
    let idle = pair.listener().idle();
    let running = started(&pair, &["paced", "--pace", "1Mbit/s", "--toward", "near"]);
    running.signal("STOP");
    let gone = within(GONE_WITHIN + Duration::from_secs(1), || pair.listener().holdings() == idle);
    assert!(gone, "(threads, descriptors) {idle:?} became {:?}", pair.listener().holdings());
    running.crash();
}

#[test]
fn interrupting_keeps_the_run_as_void() {
    let _alone = alone();
    for kind in KINDS {
        for name in ["INT", "TERM"] {
            let pair = Pair::at(V4);
            let idle = pair.listener().idle();
            let running = started(&pair, kind);
            running.signal(name);
            let done = running.wait_within(GONE_WITHIN);
            done.expect_code(1);
            assert!(!done.stderr.contains("error:"), "it was asked for: {done:#?}");
            assert!(done.stdout.contains("void"), "{done:#?}");
            assert_eq!(only_run(&pair), VoidReason::Interrupted {});
            pair.listener().becomes_idle(idle);
        }
    }
}

#[test]
fn a_port_that_is_taken_is_told_by_the_listener() {
    let bench = Bench::new();
    let taken = UdpSocket::bind((V4, 0)).expect("a port");
    let address = taken.local_addr().expect("its address").to_string();
    let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_culvertd"));
    command.args(["--listen", &address, "--state"]).arg(bench.state());
    Running::spawn(command).wait_within(GONE_WITHIN).complains(5, &[&address]);
}

/// A session whose data flows.
fn started(pair: &Pair, asked: &[&str]) -> Running {
    let idle = pair.listener().idle().0;
    let running = pair.start(asked, &LONG);
    assert!(within(LIMIT, || pair.listener().holdings().0 > idle + 1), "no data flowed");
    // Well into the time in which data flows, past the baseline round trips.
    thread::sleep(Duration::from_millis(1_500));
    running
}

/// Why the only run of the ledger is void.
fn only_run(pair: &Pair) -> VoidReason {
    let runs = runs_in(&pair.bench().path("l.jsonl"));
    let [run]: [RunRecord; 1] = runs.try_into().expect("exactly one run");
    VoidReason::from_finding(&run.void.expect("a void run")).expect("a known reason")
}
