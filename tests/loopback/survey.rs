//! A plan carried out, interrupted, resumed and guarded.

use culvert_record::VoidReason;
use serde_json::Value;

use crate::check::reason;
use crate::common::{GONE_WITHIN, LIMIT, Pair, Running, V4, alone, ledger_lines, runs_in, within};

fn plan(pair: &Pair, sessions: &str) -> String {
    let target = pair.listener().target();
    let path = |name: &str, place: &str, more: &str| {
        format!(
            "[[paths]]\nname = \"{name}\"\nplace = \"{place}\"\ntarget = \"{target}\"\n{more}\n"
        )
    };
    format!(
        "name = \"loop\"\nrounds = 1\n[sites.near]\nname = \"cabin\"\n[sites.far]\nname = \"workshop\"\n{}{}{sessions}",
        path("bare", "outside", ""),
        path(
            "tunnel",
            "inside",
            "encapsulation = \"wireguard\"\nbring_up = \"env > commands.txt\"\ntake_down = \"echo down >> commands.txt\""
        ),
    )
}

fn paced(pace: &str) -> String {
    format!(
        "[[sessions]]\nkind = \"paced\"\ntoward = \"far\"\npace = \"{pace}\"\nfor = \"1s\"\nsettle = \"0s\"\n"
    )
}

#[test]
fn an_inside_run_that_goes_outside_is_void_and_not_counted() {
    let _alone = alone();
    let pair = Pair::at(V4);
    pair.bench().write("plan.toml", plan(&pair, &paced("1Mbit/s")));
    let survey = || {
        let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_culvert"));
        command.args(["survey", "plan.toml", "--json"]).current_dir(pair.bench().path(""));
        let invite = std::fs::read_to_string(pair.bench().path("owner.invite")).expect("it");
        command.env("CULVERT_INVITE", invite);
        Running::spawn(command).wait()
    };
    let first = survey();
    let document = first.expect_code(1).json();
    let ledger = pair.bench().path("plan.jsonl");
    let (header, runs) = (ledger_lines(&ledger).remove(0), runs_in(&ledger));
    assert_eq!(header["schema"], "culvert/survey/1");
    assert_eq!(runs.len(), 2, "{runs:#?}");
    assert_eq!((runs[0].path.name.as_deref(), &runs[0].void), (Some("bare"), &None));
    let wanted = VoidReason::SameWayAsOutside {
        address: "127.0.0.1".to_owned(),
        interface: "lo".to_owned(),
        seen_from: "127.0.0.1".to_owned(),
    };
    assert_eq!(reason(&runs[1]), wanted);
    assert_eq!(counted(&document, "bare"), Some(1), "{document:#}");
    assert_eq!(counted(&document, "tunnel").unwrap_or(0), 0, "{document:#}");
    assert!(first.stderr.contains("bringing up 'tunnel': env > commands.txt"), "{first:#?}");
    let commands = std::fs::read_to_string(pair.bench().path("commands.txt")).expect("run");
    assert!(commands.contains("PATH=") && commands.ends_with("down\n"), "{commands}");
    assert!(!commands.contains("cvt1"), "a command of the plan was handed the invite");

    // The route will not change by itself: the void run is repeated once, the valid one never.
    survey().expect_code(1);
    let again = runs_in(&ledger);
    assert_eq!(again.len(), 3);
    assert_eq!((&again[..2], reason(&again[2])), (&runs[..], wanted));
    survey().expect_code(1);
    assert_eq!(runs_in(&ledger), again, "a finished survey runs nothing");
}

#[test]
fn it_goes_on_where_it_was_stopped_and_keeps_its_ledger_to_itself() {
    let _alone = alone();
    let pair = Pair::at(V4);
    let outside_only = plan(&pair, &[paced("1Mbit/s"), paced("2Mbit/s")].concat());
    // Without its inside path the plan can be finished on loopback.
    let inside = outside_only.find("[[paths]]\nname = \"tunnel\"").expect("the inside path");
    let sessions = outside_only.find("[[sessions]]").expect("the sessions");
    let plan = format!("{}{}", &outside_only[..inside], &outside_only[sessions..]);
    pair.bench().write("plan.toml", &plan);
    let asked = ["survey", "plan.toml", "--invite", "owner.invite"];
    let first = pair.bench().start(&asked);
    let ledger = pair.bench().path("plan.jsonl");
    let lines = || std::fs::read_to_string(&ledger).map_or(0, |text| text.matches('\n').count());
    assert!(within(LIMIT, || lines() == 2), "no run was kept");
    first.signal("INT");
    first.wait_within(GONE_WITHIN).expect_code(1);
    let before: Vec<_> = runs_in(&ledger).into_iter().filter(|run| run.void.is_none()).collect();
    assert!(!before.is_empty(), "what was finished is kept");

    pair.bench().run(&asked).expect_code(0);
    let after: Vec<_> = runs_in(&ledger).into_iter().filter(|run| run.void.is_none()).collect();
    assert_eq!(after.len(), 2, "{after:#?}");
    assert_eq!(after[..before.len()], before);
    let surveys: Vec<_> = after.iter().map(|run| run.survey.clone().expect("its place")).collect();
    assert_eq!(surveys[0].id, surveys[1].id);
    assert_ne!(surveys[0].position, surveys[1].position);

    let text = std::fs::read(&ledger).expect("the ledger");
    pair.bench().write("other.toml", plan.replace("1Mbit/s", "3Mbit/s"));
    let other = ["survey", "other.toml", "--invite", "owner.invite", "--ledger", "plan.jsonl"];
    pair.bench().run(&other).complains(2, &["plan.jsonl", "'loop'"]);
    assert_eq!(std::fs::read(&ledger).expect("the ledger"), text, "nothing was written");
}

/// How many runs of a path the comparison counts.
fn counted(document: &Value, path: &str) -> Option<u64> {
    let rows = document.pointer("/comparison/rows").and_then(Value::as_array).expect("rows");
    let is_wanted = |row: &&Value| row.pointer("/path/name").is_some_and(|name| name == path);
    rows.iter().find(is_wanted)?.get("valid")?.as_u64()
}
