//! Whole surveys on a staged host: real plan, real ledger, no network and no waiting.

use std::{cell::RefCell, collections::VecDeque, io, os::unix::process::ExitStatusExt as _};
use std::{path::PathBuf, process::ExitStatus as ChildStatus, rc::Rc};

use culvert_record::{Kind, Place};
use culvert_units::explain;

use super::*;

const PLAN: &str = r#"
name = "staged"
rounds = 2
[sites.near]
name = "cabin"
up = "8Mbit/s"
down = "8Mbit/s"
metered = true
[sites.far]
name = "workshop"
[[paths]]
name = "bare"
place = "outside"
target = "192.0.2.7"
[[paths]]
name = "tunnel"
place = "inside"
target = "10.0.0.7"
encapsulation = "wireguard"
bring_up = "up"
is_up = "look"
take_down = "down"
[[sessions]]
kind = "bulk"
toward = "far"
for = "3s"
settle = "1s"
[[sessions]]
kind = "paced"
toward = "near"
pace = "8Mbit/s"
payload = 1000
for = "3s"
settle = "1s"
"#;

/// By hand: no command at all.
fn by_hand() -> String {
    let keeps =
        |line: &&str| !["bring_up", "is_up", "take_down"].iter().any(|key| line.starts_with(key));
    PLAN.lines().filter(keeps).collect::<Vec<_>>().join("\n")
}

/// Everything that happens, in its order: talk as said, commands as `$ …`, sessions as `> …`.
#[derive(Clone, Default)]
struct Log(Rc<RefCell<Vec<String>>>);

impl Log {
    fn push(&self, line: String) {
        self.0.borrow_mut().push(line);
    }

    /// What happened apart from talk.
    fn deeds(&self) -> Vec<String> {
        self.0.borrow().iter().filter(|line| line.starts_with(['$', '>'])).cloned().collect()
    }

    fn says(&self, part: &str) -> bool {
        self.0.borrow().iter().any(|line| !line.starts_with(['$', '>']) && line.contains(part))
    }
}

impl Write for Log {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let text = String::from_utf8_lossy(bytes).into_owned();
        let mut lines = self.0.borrow_mut();
        match lines.last_mut() {
            Some(last) if !last.ends_with('\n') && !last.starts_with(['$', '>']) => {
                last.push_str(&text);
            }
            _ => lines.push(text),
        }
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// A host whose clock moves only when somebody waits.
#[derive(Default)]
struct Stage {
    log: Log,
    clock: Rc<RefCell<Duration>>,
    interrupted: Rc<RefCell<bool>>,
    attended: bool,
    /// How the commands end, by line; 0 when none is left.
    ends: Vec<(&'static str, VecDeque<i32>)>,
}

impl Stage {
    fn ends(mut self, line: &'static str, statuses: &[i32]) -> Self {
        self.ends.push((line, statuses.iter().copied().collect()));
        self
    }
}

impl Surroundings for Stage {
    fn now(&self) -> Duration {
        *self.clock.borrow()
    }

    fn interrupted(&self) -> bool {
        *self.interrupted.borrow()
    }

    fn pause(&mut self, time: Duration) {
        *self.clock.borrow_mut() += time;
    }

    fn command(&mut self, line: &str, _limit: Duration, _heed: Heed) -> CommandEnd {
        self.log.push(format!("$ {line}"));
        let planned = self.ends.iter_mut().find(|(known, _)| *known == line);
        let status = planned.and_then(|(_, left)| left.pop_front()).unwrap_or(0);
        CommandEnd::with_status(ChildStatus::from_raw(status << 8), format!("{line} wrote this\n"))
    }

    fn is_attended(&self) -> bool {
        self.attended
    }

    fn await_enter(&mut self) -> Answer {
        self.log.push("$ Enter".to_owned());
        Answer::Pressed
    }
}

/// What the runner makes of the nth session.
enum Act {
    Valid,
    Void(VoidReason),
    Fails,
    Interrupted,
}

struct Runner {
    log: Log,
    clock: Rc<RefCell<Duration>>,
    interrupted: Rc<RefCell<bool>>,
    acts: VecDeque<Act>,
    budgets: Vec<Option<u64>>,
}

#[derive(Debug, thiserror::Error)]
#[error("no answer from 192.0.2.7 within 5s")]
struct Silent;

impl Explain for Silent {
    fn hint(&self) -> Option<String> {
        Some("check that the listener runs".to_owned())
    }

    fn exit_status(&self) -> ExitStatus {
        ExitStatus::Unreachable
    }
}

impl RunOneSession for Runner {
    fn run(&mut self, step: &StepToRun<'_>) -> Result<RunRecord, Failure> {
        let kind = step.session.load().kind();
        self.log.push(format!("> {} {} {kind}", step.survey.position, step.path.name()));
        self.budgets.push(step.at_most.map(Bytes::get));
        *self.clock.borrow_mut() += step.session.longest();
        let mut record = record(step);
        match self.acts.pop_front().unwrap_or(Act::Valid) {
            Act::Valid => {}
            Act::Void(reason) => record.void = Some(reason.to_finding()),
            Act::Fails => return Err(Box::new(Silent)),
            Act::Interrupted => {
                *self.interrupted.borrow_mut() = true;
                record.void = Some(VoidReason::Interrupted {}.to_finding());
            }
        }
        Ok(record)
    }
}

/// A run that moved 4,000,000 bytes in 4 s, by an interface of its path.
fn record(step: &StepToRun<'_>) -> RunRecord {
    let bulk = step.session.load().kind() == "bulk";
    let way = serde_json::json!({
        "goodput_bps": 8_000_000, "bytes_sent": 4_000_000, "bytes_received": 4_000_000,
        "plateau": { "from_ms": 1000, "to_ms": 4000 },
    });
    let name = step.path.name();
    let mut record: RunRecord = serde_json::from_value(serde_json::json!({
        "schema": culvert_record::SCHEMA,
        "id": format!("{:032x}", rand::random::<u128>()),
        "started_at": "2026-11-20T19:04:05Z",
        "kind": if bulk { "bulk" } else { "paced" },
        "path": { "name": name, "place": null, "target": step.path.target().to_string(), "encapsulation": null },
        "family": "ipv4",
        "asked": {
            "toward": if bulk { "far" } else { "near" }, "for_ms": 3000, "settle_ms": 1000, "settle_auto": false,
        },
        "survey": step.survey,
        "void": null, "caveats": [],
        "ends": { "near": {
            "program": "culvert", "address": "198.51.100.2:4000", "interface": name, "seen_from": "198.51.100.2:4000",
        }, "far": null },
        "toward_far": if bulk { way.clone() } else { serde_json::Value::Null },
        "toward_near": if bulk { serde_json::Value::Null } else { way },
    }))
    .expect("a record");
    record.path.place = Some(match step.path.place() {
        culvert_session::plan::Place::Outside => Place::Outside,
        culvert_session::plan::Place::Inside => Place::Inside,
    });
    record
}

/// A folder with the ledger of one evening, on which several calls follow each other.
struct Evening {
    folder: tempfile::TempDir,
    budgets: Vec<Option<u64>>,
}

impl Evening {
    fn new() -> Self {
        Self { folder: tempfile::tempdir().expect("a scratch folder"), budgets: Vec::new() }
    }

    fn ledger(&self) -> PathBuf {
        self.folder.path().join("ledger.jsonl")
    }

    fn runs(&self) -> Vec<RunRecord> {
        Ledger::read(self.ledger()).expect("the ledger").runs
    }

    fn call(
        &mut self,
        plan: &str,
        acts: Vec<Act>,
        mut stage: Stage,
    ) -> (Result<SurveyEnd, SurveyError>, Log) {
        let log = stage.log.clone();
        let mut runner = Runner {
            log: log.clone(),
            clock: Rc::clone(&stage.clock),
            interrupted: Rc::clone(&stage.interrupted),
            acts: acts.into(),
            budgets: Vec::new(),
        };
        let mut ledger = Ledger::open_for_append(self.ledger()).expect("the ledger");
        let survey = Survey {
            plan: &Plan::parse(plan).expect("the plan"),
            ledger: &mut ledger,
            runner: &mut runner,
            surroundings: &mut stage,
            talk: &mut log.clone(),
        };
        let end = survey.carry_out();
        self.budgets = runner.budgets;
        (end, log)
    }
}

const COMPLETE: SurveyEnd = SurveyEnd::Finished { to_repeat: 0, void: 0 };

#[test]
fn runs_everything_in_order_and_switches_as_rarely_as_it_can() {
    let mut evening = Evening::new();
    let stage = Stage::default().ends("look", &[1, 1, 0]);
    let (end, log) = evening.call(PLAN, Vec::new(), stage);
    assert_eq!(end.expect("an end"), COMPLETE);
    assert_eq!(
        log.deeds(),
        [
            "> 1 bare bulk",
            "> 2 bare paced",
            "$ look",
            "$ up",
            "$ look",
            "$ look",
            "> 3 tunnel bulk",
            "> 4 tunnel paced",
            "> 5 tunnel bulk",
            "> 6 tunnel paced",
            "$ down",
            "> 7 bare bulk",
            "> 8 bare paced",
        ]
    );
    let contents = Ledger::read(evening.ledger()).expect("the ledger");
    let [header] = &contents.headers[..] else { panic!("one header") };
    assert_eq!((header.name.as_str(), header.rounds, header.planned_runs), ("staged", 2, 8));
    assert_eq!(header.plan_hash, Plan::parse(PLAN).expect("the plan").hash());
    assert_eq!(
        header.sites.near.line.map(|line| (line.up_bps, line.metered)),
        Some((Some(8_000_000), true))
    );
    assert_eq!(header.sites.far.line, None);
    let paths: Vec<_> =
        header.paths.iter().map(|path| (path.name.as_str(), path.target.as_str())).collect();
    assert_eq!(paths, [("bare", "192.0.2.7:28460"), ("tunnel", "10.0.0.7:28460")]);
    let places: Vec<_> = contents
        .runs_of(&header.id)
        .filter_map(|run| run.survey.as_ref())
        .map(|s| (s.round, s.position))
        .collect();
    assert_eq!(places, [(1, 1), (1, 2), (1, 3), (1, 4), (2, 5), (2, 6), (2, 7), (2, 8)]);
}

#[test]
fn says_volume_and_commands_before_anything_is_done() {
    let (_, log) = Evening::new().call(PLAN, Vec::new(), Stage::default());
    let lines = log.0.borrow().clone();
    let first_deed = lines.iter().position(|line| line.starts_with(['$', '>'])).expect("a deed");
    let said = lines[..first_deed].concat();
    // Bulk: 1 MB/s for 1 + 3 + 1 s, paced: 1 MB/s for 4 s; two rounds of two paths.
    for part in [
        "8 runs (2 rounds, 2 paths, 2 sessions)",
        "it moves up to 36.0 MB of payload in all; 8 runs are to come",
        "caution: the line of cabin is metered",
        "  tunnel bring_up: up\n  tunnel is_up: look\n  tunnel take_down: down\n",
    ] {
        assert!(said.contains(part), "{part} in {said}");
    }
    assert!(log.says("cabin → workshop: goodput 8.00 Mbit/s"));
}

#[test]
fn what_is_unknown_is_said_to_be_unknown() {
    let plan = PLAN.replace("up = \"8Mbit/s\"\n", "");
    let (_, log) = Evening::new().call(&plan, Vec::new(), Stage::default());
    assert!(log.says("how much data it moves is unknown"));
}

#[test]
fn a_failed_session_stops_it_and_the_next_call_goes_on() {
    let mut evening = Evening::new();
    let acts = vec![Act::Valid, Act::Valid, Act::Valid, Act::Fails];
    let (end, log) = evening.call(PLAN, acts, Stage::default().ends("look", &[1]));
    let error = end.expect_err("an error");
    assert_eq!(
        explain(&error),
        "error: no answer from 192.0.2.7 within 5s\nhint: check that the listener runs"
    );
    assert_eq!(error.exit_status(), ExitStatus::Unreachable);
    assert_eq!(log.deeds().last().map(String::as_str), Some("$ down"));
    assert!(log.says("3 of 8 runs are in the ledger, the same command goes on from there"));
    assert_eq!(evening.runs().len(), 3);

    let (end, log) = evening.call(PLAN, Vec::new(), Stage::default());
    assert_eq!(end.expect("an end"), COMPLETE);
    assert!(log.says("holds 3 of them, going on where it stopped"));
    assert_eq!(
        log.deeds().iter().find(|deed| deed.starts_with('>')).map(String::as_str),
        Some("> 4 tunnel paced")
    );
    assert_eq!(evening.runs().len(), 8);
    assert_eq!(Ledger::read(evening.ledger()).expect("the ledger").headers.len(), 1);
}

#[test]
fn a_complete_survey_runs_nothing() {
    let mut evening = Evening::new();
    evening.call(PLAN, Vec::new(), Stage::default()).0.expect("an end");
    let before = std::fs::read(evening.ledger()).expect("bytes");
    let (end, log) = evening.call(PLAN, Vec::new(), Stage::default());
    let end = end.expect("an end");
    assert_eq!((end, end.exit_status()), (COMPLETE, ExitStatus::Done));
    assert!(log.says("the survey is complete: all 8 runs are in the ledger"));
    assert!(log.deeds().is_empty());
    assert_eq!(std::fs::read(evening.ledger()).expect("bytes"), before);
}

#[test]
fn another_plan_is_kept_out_but_commands_and_budgets_may_change() {
    let mut evening = Evening::new();
    evening.call(PLAN, vec![Act::Fails], Stage::default()).0.expect_err("an error");
    let other = PLAN.replace("rounds = 2", "rounds = 3");
    let (end, log) = evening.call(&other, Vec::new(), Stage::default());
    let error = end.expect_err("an error");
    let ledger = evening.ledger();
    assert_eq!(
        error.to_string(),
        format!("the ledger {} belongs to another survey, 'staged'", ledger.display())
    );
    assert!(error.hint().is_some_and(|hint| hint.contains("--ledger")));
    assert_eq!(error.exit_status(), ExitStatus::Usage);
    assert!(log.deeds().is_empty());

    let mended = PLAN
        .replace("\"up\"", "\"up again\"")
        .replace("rounds = 2", "rounds = 2\nat_most = \"1GB\"");
    assert_eq!(evening.call(&mended, Vec::new(), Stage::default()).0.expect("an end"), COMPLETE);
}

#[test]
fn a_void_run_is_repeated_by_the_next_call() {
    let mut evening = Evening::new();
    let lost = VoidReason::ControlLost { cause: "reset".to_owned() };
    let (end, log) = evening.call(PLAN, vec![Act::Valid, Act::Void(lost)], Stage::default());
    let end = end.expect("an end");
    assert_eq!(end, SurveyEnd::Finished { to_repeat: 1, void: 0 });
    assert_eq!(end.exit_status(), ExitStatus::Void);
    assert!(log.says("  void: "));
    let (end, log) = evening.call(PLAN, Vec::new(), Stage::default());
    assert_eq!(end.expect("an end"), COMPLETE);
    assert_eq!(log.deeds(), ["> 2 bare paced"]);
    assert_eq!(evening.runs().len(), 9);
}

#[test]
fn the_same_way_as_outside_is_tried_twice_only() {
    let mut evening = Evening::new();
    let same = || VoidReason::SameWayAsOutside {
        address: "198.51.100.2".to_owned(),
        interface: "bare".to_owned(),
        seen_from: "198.51.100.2".to_owned(),
    };
    let acts =
        || [Act::Valid, Act::Valid].into_iter().chain((0..4).map(|_| Act::Void(same()))).collect();
    let (end, _) = evening.call(PLAN, acts(), Stage::default());
    assert_eq!(end.expect("an end"), SurveyEnd::Finished { to_repeat: 4, void: 0 });
    let again = (0..4).map(|_| Act::Void(same())).collect();
    let (end, _) = evening.call(PLAN, again, Stage::default());
    let end = end.expect("an end");
    assert_eq!(end, SurveyEnd::Finished { to_repeat: 0, void: 4 });
    assert_eq!(end.exit_status(), ExitStatus::Void);
    let (_, log) = evening.call(PLAN, Vec::new(), Stage::default());
    assert!(log.deeds().is_empty());
    assert!(log.says("of 8 runs 4 took the same way as outside twice and stay void"));
}

#[test]
fn an_inside_run_by_the_outside_way_is_found_out() {
    // The runner names the interface after the path: with one name for both, both take the same way.
    struct Careless(Runner);
    impl RunOneSession for Careless {
        fn run(&mut self, step: &StepToRun<'_>) -> Result<RunRecord, Failure> {
            let mut record = self.0.run(step)?;
            if let Some(near) = record.ends.near.as_mut() {
                near.interface = Some("eth0".to_owned());
            }
            Ok(record)
        }
    }
    let evening = Evening::new();
    let mut stage = Stage::default();
    let log = stage.log.clone();
    let mut runner = Careless(Runner {
        log: log.clone(),
        clock: Rc::default(),
        interrupted: Rc::default(),
        acts: VecDeque::new(),
        budgets: Vec::new(),
    });
    let survey = Survey {
        plan: &Plan::parse(PLAN).expect("the plan"),
        ledger: &mut Ledger::open_for_append(evening.ledger()).expect("the ledger"),
        runner: &mut runner,
        surroundings: &mut stage,
        talk: &mut log.clone(),
    };
    assert_eq!(survey.carry_out().expect("an end"), SurveyEnd::Finished { to_repeat: 4, void: 0 });
    let runs = evening.runs();
    let void: Vec<_> =
        runs.iter().filter(|run| run.void.is_some()).map(|run| run.path.name.as_deref()).collect();
    assert_eq!(void, [Some("tunnel"); 4]);
}

#[test]
fn the_byte_budget_stops_it_before_it_is_overdrawn() {
    let mut evening = Evening::new();
    // Every run moves 4 MB; the bulk session may need 5 MB. 4 + 4 + 4 are spent, 12 + 4 still fit, 16 + 5 do not.
    let plan = PLAN.replace("rounds = 2", "rounds = 2\nat_most = \"20MB\"");
    let (end, log) = evening.call(&plan, Vec::new(), Stage::default().ends("look", &[1]));
    let end = end.expect("an end");
    assert_eq!((end, end.exit_status()), (SurveyEnd::BytesSpent { left: 4 }, ExitStatus::Done));
    assert_eq!(
        evening.budgets,
        [Some(20_000_000), Some(16_000_000), Some(12_000_000), Some(8_000_000)]
    );
    assert_eq!(log.deeds().last().map(String::as_str), Some("$ down"));
    assert!(log.says("16.0 MB of 20.0 MB are spent"));

    // What was spent stays spent, and a path is not even switched to when nothing can run on it.
    let (end, log) = evening.call(&plan, Vec::new(), Stage::default());
    assert_eq!(end.expect("an end"), SurveyEnd::BytesSpent { left: 4 });
    assert!(log.deeds().is_empty());
    let raised = plan.replace("20MB", "1GB");
    assert_eq!(evening.call(&raised, Vec::new(), Stage::default()).0.expect("an end"), COMPLETE);
    assert_eq!(evening.runs().len(), 8);
}

#[test]
fn a_session_that_its_budget_cut_off_ends_the_survey() {
    let plan = PLAN
        .replace("up = \"8Mbit/s\"\n", "")
        .replace("rounds = 2", "rounds = 2\nat_most = \"1GB\"");
    let spent = VoidReason::BudgetSpent { at_most_bytes: 1_000_000_000 };
    let (end, log) = Evening::new().call(&plan, vec![Act::Void(spent)], Stage::default());
    assert_eq!(end.expect("an end"), SurveyEnd::BytesSpent { left: 8 });
    assert_eq!(log.deeds(), ["> 1 bare bulk"]);
}

#[test]
fn the_time_budget_counts_each_call_anew() {
    let mut evening = Evening::new();
    let plan = PLAN.replace("rounds = 2", "rounds = 2\ntime_budget = \"13s\"");
    let (end, _) = evening.call(&plan, Vec::new(), Stage::default());
    let end = end.expect("an end");
    assert_eq!((end, end.exit_status()), (SurveyEnd::TimeSpent { left: 5 }, ExitStatus::Done));
    assert_eq!(
        evening.call(&plan, Vec::new(), Stage::default()).0.expect("an end"),
        SurveyEnd::TimeSpent { left: 2 }
    );
    assert_eq!(evening.call(&plan, Vec::new(), Stage::default()).0.expect("an end"), COMPLETE);
}

#[test]
fn a_failing_command_is_told_with_its_output_and_the_path_taken_down() {
    let stage = Stage::default().ends("look", &[1]).ends("up", &[7]);
    let mut evening = Evening::new();
    let (end, log) = evening.call(PLAN, Vec::new(), stage);
    let error = end.expect_err("an error");
    assert_eq!(error.to_string(), "bring_up of the path 'tunnel' failed: 'up' ended with status 7");
    assert!(error.hint().is_some());
    assert_eq!(error.exit_status(), ExitStatus::LocalFault);
    assert!(log.says("    up wrote this"));
    assert_eq!(log.deeds(), ["> 1 bare bulk", "> 2 bare paced", "$ look", "$ up", "$ down"]);
    assert_eq!(evening.runs().len(), 2);

    let stage = Stage::default().ends("down", &[1]);
    let error = Evening::new().call(PLAN, Vec::new(), stage).0.expect_err("an error");
    assert_eq!(
        error.to_string(),
        "take_down of the path 'tunnel' failed: 'down' ended with status 1"
    );
}

#[test]
fn a_path_that_does_not_come_up_is_given_half_a_minute() {
    let (end, log) =
        Evening::new().call(PLAN, Vec::new(), Stage::default().ends("look", &[1; 500]));
    let error = end.expect_err("an error");
    assert_eq!(
        error.to_string(),
        "the path 'tunnel' is not up after 30s: 'look' ended with status 1"
    );
    assert_eq!(error.exit_status(), ExitStatus::LocalFault);
    // One look before, one at once and one each half second.
    assert_eq!(log.deeds().iter().filter(|deed| *deed == "$ look").count(), 1 + 1 + 60);
    assert_eq!(log.deeds().last().map(String::as_str), Some("$ down"));
}

#[test]
fn an_interrupt_keeps_what_ran_and_takes_the_path_down() {
    let mut evening = Evening::new();
    let acts = vec![Act::Valid, Act::Valid, Act::Interrupted];
    let (end, log) = evening.call(PLAN, acts, Stage::default());
    let end = end.expect("an end");
    assert_eq!((end, end.exit_status()), (SurveyEnd::Interrupted { left: 6 }, ExitStatus::Void));
    assert_eq!(log.deeds().last().map(String::as_str), Some("$ down"));
    assert_eq!(evening.runs().len(), 3);
    assert!(log.says("stopped as asked: 2 of 8 runs are in the ledger"));
}

#[test]
fn without_commands_the_practitioner_switches() {
    let plan = by_hand();
    let stage = Stage { attended: true, ..Stage::default() };
    let (end, log) = Evening::new().call(&plan, Vec::new(), stage);
    assert_eq!(end.expect("an end"), COMPLETE);
    let enters = log.deeds().iter().filter(|deed| *deed == "$ Enter").count();
    assert_eq!(enters, 2);
    assert!(log.says("switch to the path 'tunnel', then press Enter"));
    assert!(log.says("switch the path 'tunnel' off, then press Enter"));

    let (end, log) = Evening::new().call(&plan, Vec::new(), Stage::default());
    let error = end.expect_err("an error");
    assert_eq!(
        error.to_string(),
        "the path 'tunnel' must be switched by hand, and standard input is no terminal"
    );
    assert_eq!(error.exit_status(), ExitStatus::Usage);
    assert!(error.hint().is_some());
    assert_eq!(log.deeds(), ["> 1 bare bulk", "> 2 bare paced"]);
}

#[test]
fn is_up_alone_notices_both_switches() {
    let plan = PLAN.replace("bring_up = \"up\"\n", "").replace("take_down = \"down\"\n", "");
    // Down for 100 s, up, and 2 s after the request down again.
    let looks: Vec<i32> = [[1; 200].as_slice(), &[0; 5], &[1]].concat();
    let stage = Stage { attended: true, ..Stage::default() }.ends("look", &looks);
    let (end, log) = Evening::new().call(&plan, Vec::new(), stage);
    assert_eq!(end.expect("an end"), COMPLETE);
    assert!(log.says("switch to the path 'tunnel' now; it is noticed once 'look' succeeds"));
    assert!(log.says("switch the path 'tunnel' off now; it is noticed once 'look' fails"));
    assert!(log.says("the path 'tunnel' is down, after 2s"));

    // With nobody there it is an error after half a minute, and the outside path is not measured through the tunnel.
    let stage = Stage::default().ends("look", &[1, 1, 0]);
    let (end, log) = Evening::new().call(&plan, Vec::new(), stage);
    let error = end.expect_err("an error");
    assert_eq!(
        error.to_string(),
        "the path 'tunnel' is not down after 30s: 'look' ended with status 0"
    );
    assert_eq!(log.deeds().iter().filter(|deed| deed.starts_with('>')).count(), 6);
}

#[test]
fn a_path_that_always_stands_is_left_alone() {
    let plan = PLAN.replace("bring_up = \"up\"\n", "").replace("take_down = \"down\"\n", "");
    let (end, log) = Evening::new().call(&plan, Vec::new(), Stage::default());
    assert_eq!(end.expect("an end"), COMPLETE);
    assert_eq!(log.deeds().iter().filter(|deed| deed.starts_with('$')).count(), 1);
}

#[test]
fn what_was_not_brought_up_is_not_taken_down() {
    struct Hasty(Stage);
    impl Surroundings for Hasty {
        fn now(&self) -> Duration {
            self.0.now()
        }
        fn interrupted(&self) -> bool {
            self.0.interrupted()
        }
        fn pause(&mut self, time: Duration) {
            self.0.pause(time);
        }
        fn command(&mut self, line: &str, limit: Duration, heed: Heed) -> CommandEnd {
            *self.0.interrupted.borrow_mut() = true;
            self.0.command(line, limit, heed)
        }
        fn is_attended(&self) -> bool {
            false
        }
        fn await_enter(&mut self) -> Answer {
            Answer::Closed
        }
    }
    let evening = Evening::new();
    let mut stage = Hasty(Stage::default().ends("look", &[1]));
    let log = stage.0.log.clone();
    let mut runner = Runner {
        log: log.clone(),
        clock: Rc::default(),
        interrupted: Rc::clone(&stage.0.interrupted),
        acts: VecDeque::new(),
        budgets: Vec::new(),
    };
    let survey = Survey {
        plan: &Plan::parse(PLAN).expect("the plan"),
        ledger: &mut Ledger::open_for_append(evening.ledger()).expect("the ledger"),
        runner: &mut runner,
        surroundings: &mut stage,
        talk: &mut log.clone(),
    };
    assert_eq!(survey.carry_out().expect("an end"), SurveyEnd::Interrupted { left: 6 });
    assert_eq!(log.deeds(), ["> 1 bare bulk", "> 2 bare paced", "$ look"]);
}

#[test]
fn a_torn_line_is_told_and_costs_nothing_else() {
    let mut evening = Evening::new();
    evening.call(PLAN, vec![Act::Valid, Act::Fails], Stage::default()).0.expect_err("an error");
    let mut bytes = std::fs::read(evening.ledger()).expect("bytes");
    bytes.extend_from_slice(b"{\"schema\":\"culvert/run/1\",\"id");
    std::fs::write(evening.ledger(), bytes).expect("torn");
    let (end, log) = evening.call(PLAN, Vec::new(), Stage::default());
    assert_eq!(end.expect("an end"), COMPLETE);
    assert!(log.says("line 3 was skipped"));
    assert_eq!(evening.runs().iter().filter(|run| run.kind == Kind::Bulk).count(), 4);
}
