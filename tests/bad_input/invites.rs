//! Invites that are mistyped, expired, revoked, of another listener, or where they must not be.

use std::io::Read as _;
use std::net::TcpListener;
use std::thread;
use std::time::Duration;

use culvert_engine::identity::{ClientIdentity, ListenerIdentity, generate_seed};
use culvert_wire::Invite;

use crate::common::{Bench, GONE_WITHIN, LIMIT, Pair, V4, V6, alone, runs_in, within};
use crate::{LONG, SHORT};

#[test]
fn a_typing_error_is_told_before_anything_is_dialled() {
    let bench = Bench::new();
    let invite = bench.invite("cabin", &[]);
    let line = std::fs::read_to_string(invite).expect("the invite");
    let line = line.trim();
    let other = if line.ends_with('a') { "e" } else { "a" };
    let spoilt = [
        (format!("{}{other}", &line[..119]), "checksum"),
        (line[..119].to_owned(), "119 characters instead of 120"),
        (format!("{}1", &line[..119]), "character 120"),
        (line.replacen("cvt1", "cvt2", 1), "version"),
        ("hello".to_owned(), "begins with 'cvt1'"),
        (String::new(), "begins with 'cvt1'"),
    ];
    for (text, part) in spoilt {
        bench.write("spoilt", &text);
        let done = bench.run(&["bulk", "127.0.0.1:9", "--invite", "spoilt"]);
        done.complains(2, &[part]);
        assert!(text.len() < 8 || !done.stderr.contains(&text[4..]), "it was echoed: {done:#?}");
    }
}

#[test]
fn no_invite_and_no_file_are_told_apart() {
    let bench = Bench::new();
    bench.run(&["bulk", "127.0.0.1:9"]).complains(2, &["CULVERT_INVITE"]);
    bench.run(&["bulk", "127.0.0.1:9", "--invite", "nowhere"]).complains(2, &["nowhere"]);
    bench.run(&["bulk", "127.0.0.1:9", "--invite", "."]).complains(5, &["cannot read the invite"]);
    bench.write("large", "x".repeat(10_000));
    bench.run(&["bulk", "127.0.0.1:9", "--invite", "large"]).complains(2, &["large", "4096"]);
}

#[test]
fn an_invite_on_the_command_line_is_refused_and_never_repeated() {
    let bench = Bench::new();
    let line = std::fs::read_to_string(bench.invite("cabin", &[])).expect("the invite");
    let (line, known) = (line.trim(), "127.0.0.1:9");
    let with_equals = format!("--invite={line}");
    for arguments in [
        &["bulk", known, "--invite", line][..],
        &["bulk", known, &with_equals],
        &["bulk", line],
        &["bulk", known, line],
        &["survey", line],
        &[line],
    ] {
        let done = bench.run(arguments);
        done.complains(2, &["command line"]);
        assert!(!(done.stderr + &done.stdout).contains(&line[4..40]), "it was repeated");
    }
}

#[test]
fn another_listeners_invite_is_refused() {
    let pair = Pair::at(V4);
    let other = Bench::new();
    let invite = other.invite("cabin", &[]);
    let target = pair.listener().target();
    let invite = invite.to_str().expect("text");
    let done = pair.bench().run(&["bulk", &target, "--invite", invite]);
    done.complains(4, &[&target]);
}

#[test]
fn a_listener_with_another_key_is_not_trusted() {
    let bench = Bench::new();
    let line = std::fs::read_to_string(bench.invite("cabin", &[])).expect("the invite");
    let client =
        ClientIdentity::from_invite(&Invite::parse(&line).expect("an invite")).expect("it");
    // It knows everything about the invite that an eavesdropper and a stolen state directory could tell, but not the
    // listener's key.
    let impostor = ListenerIdentity::from_seed(&generate_seed().expect("a seed")).expect("a key");
    let config = impostor.server_config(client.public_key()).expect("TLS");
    let door = TcpListener::bind((V6, 0)).expect("a port");
    let target = door.local_addr().expect("its address").to_string();
    let conversation = thread::spawn(move || {
        let (mut stream, _) = door.accept().expect("culvert dials");
        stream.set_read_timeout(Some(LIMIT)).expect("a limit");
        let mut tls = rustls::ServerConnection::new(config).expect("TLS");
        let handshake = tls.complete_io(&mut stream).and_then(|_| tls.complete_io(&mut stream));
        let mut heard = Vec::new();
        let _ = tls.reader().read_to_end(&mut heard);
        (handshake.is_ok(), heard)
    });
    let done = bench.run(&["bulk", &target, "--invite", "cabin.invite"]);
    done.complains(4, &[&target]);
    let (established, heard) = conversation.join().expect("the impostor");
    assert!(!established && heard.is_empty(), "it told an impostor {heard:?}");
}

#[test]
fn an_expired_invite_is_told_at_both_ends() {
    let pair = Pair::at(V4);
    pair.bench().invite("short", &["--expires", "1s"]);
    let line = std::fs::read_to_string(pair.bench().path("short.invite")).expect("the invite");
    let mut invite = Invite::parse(line.trim()).expect("an invite");
    thread::sleep(Duration::from_millis(1_100));
    let run = |file: &str| {
        let target = pair.listener().target();
        pair.bench().run(&["bulk", &target, "--invite", file])
    };
    run("short.invite").complains(4, &["expired"]);
    // The listener's own clock and books decide, whatever the sender's copy says.
    invite.expires = u32::MAX;
    pair.bench().write("forged", invite.encode().as_bytes());
    run("forged").complains(4, &["refused", "expired"]);
}

#[test]
fn a_revoked_invite_is_told_and_others_still_serve() {
    let _alone = alone();
    let pair = Pair::at(V6);
    pair.bench().invite("other", &[]);
    pair.bench().revoke("owner");
    pair.run(&["bulk"], &SHORT).complains(4, &["refused", "revoked"]);
    let target = pair.listener().target();
    let other = [&["bulk", &target, "--invite", "other.invite"], &SHORT[..]].concat();
    pair.bench().run(&other).expect_code(0);
}

#[test]
fn revoking_ends_a_running_session_and_its_data() {
    let _alone = alone();
    for kind in [&["bulk", "--at-most", "1TB"][..], &["paced", "--pace", "1Mbit/s"]] {
        let pair = Pair::at(V4);
        let idle = pair.listener().idle();
        let asked = [kind, &["--toward", "both", "--ledger", "l.jsonl"]].concat();
        let running = pair.start(&asked, &LONG);
        assert!(within(LIMIT, || pair.listener().holdings().0 > idle.0 + 1), "no data flowed");
        thread::sleep(Duration::from_millis(800));
        pair.bench().revoke("owner");
        let done = running.wait_within(GONE_WITHIN);
        assert!(matches!(done.code, Some(3 | 4)), "{done:#?}");
        done.complains(done.code.unwrap_or(0), &["revoked"]);
        let runs = runs_in(&pair.bench().path("l.jsonl"));
        assert_eq!(runs.len(), 1);
        assert!(runs[0].void.is_some(), "a run that was cut off counts");
        pair.listener().becomes_idle(idle);
    }
}
