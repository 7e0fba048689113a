//! Calls: alone and beside bulk flows, as a document, in a ledger, and where the listener lets one session run.

use culvert_record::{Beside, Kept, Kind};

use crate::common::{Pair, V4, alone, runs_in};

#[test]
fn alone_a_call_on_loopback_is_a_run_of_its_own_kind() {
    let _alone = alone();
    let pair = Pair::at(V4);
    let options = ["calls", "--alone", "--json", "--ledger", "l.jsonl", "--path", "lo"];
    let done = pair.run(&options, &["--for", "8s"]);
    let calls = done.expect_code(0).json();
    assert_eq!(calls["schema"], "culvert/calls/1");
    assert_eq!(calls["parts"].as_array().map(Vec::len), Some(1));
    let runs = runs_in(&pair.bench().path("l.jsonl"));
    let [run] = runs.as_slice() else { panic!("one run: {runs:?}") };
    assert_eq!(serde_json::to_value(run).expect("a run"), calls["parts"][0]["run"]);
    assert_eq!((run.kind, run.asked.payload_bytes), (Kind::Calls, Some(172)));
    let call = run.call.as_ref().expect("a verdict");
    assert_eq!((call.beside, call.bulk_goodput_bps), (Beside::Alone, None));
    for (way, found) in [(&run.toward_far, &call.toward_far), (&run.toward_near, &call.toward_near)]
    {
        let (way, found) = (way.as_ref().expect("a way"), found.as_ref().expect("a verdict"));
        // 50 packets a second for the eight seconds and the one before; one that the host held back is left out.
        assert!(way.sent.is_some_and(|sent| (400..=450).contains(&sent)), "{way:?}");
        assert_eq!((way.sent, way.lost), (Some(found.sent), Some(0)));
        // 0 of 400 and more lies below 1 % by the exact interval (368 would do), not below Y.1541's 0.1 %.
        assert_eq!((found.loss, found.loss_run), (Kept::Yes, Kept::Yes), "{found:?}");
        assert_eq!(found.classes[0].loss, Kept::Unknown);
        assert_eq!(found.timed, way.pdv_us.map(|pdv| pdv.n));
        let source = &found.e_model.as_ref().expect("a rating").source;
        assert!(source.contains("from memory"), "{source}");
    }
    // The comparison takes it as a session of its own.
    let compared = pair.bench().run(&["compare", "l.jsonl"]);
    assert!(compared.expect_code(0).stdout.contains("calls"), "{compared:#?}");
}

#[test]
fn bulk_flows_run_beside_it_where_the_listener_lets_two_run() {
    let _alone = alone();
    let pair = Pair::with(V4, &["--limit-sessions", "2"]);
    let done = pair.run(&["calls", "--json"], &["--for", "1s"]);
    let calls = done.expect_code(0).json();
    let parts = calls["parts"].as_array().expect("parts");
    let beside: Vec<_> = parts.iter().map(|part| part["beside"].as_str().unwrap()).collect();
    assert_eq!(beside, ["alone", "bulk_toward_far", "bulk_toward_near"]);
    for part in parts {
        assert_eq!(part["run"]["void"], serde_json::Value::Null, "{part}");
        // 100 packets cannot tell that less than 1 % is lost.
        assert_ne!(part["run"]["call"]["toward_far"]["fit"], "yes", "{part}");
    }
    for part in &parts[1..] {
        assert!(part["run"]["call"]["bulk_goodput_bps"].as_u64() > Some(0), "{part}");
    }
}

#[test]
fn where_one_session_may_run_the_rest_cannot_be_told() {
    let _alone = alone();
    let done = Pair::at(V4).run(&["calls"], &["--for", "1s"]);
    let shown = &done.expect_code(0).stdout;
    let cannot = shown.matches("cannot tell, 1 measuring session(s) already run here").count();
    assert_eq!(cannot, 2, "{done:#?}");
    assert!(shown.contains("--limit-sessions"), "{done:#?}");
    assert!(shown.contains("packets are too few"), "{done:#?}");
}
