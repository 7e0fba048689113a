use std::{
    fs::{self, Permissions},
    os::unix::fs::{MetadataExt, PermissionsExt},
};

use culvert_units::{BitRate, ExitStatus, Explain};
use tempfile::TempDir;

use super::*;

/// 2026-01-01 00:00 UTC.
const NEW_YEAR: i64 = 1_767_225_600;
const DAY: Duration = Duration::from_hours(24);

fn at(second: i64) -> Timestamp {
    Timestamp::from_second(second).expect("a time")
}

fn name(text: &str) -> InviteName {
    text.parse().expect(text)
}

struct Lab {
    parent: TempDir,
    state: StateDirectory,
}

impl Lab {
    fn new() -> Self {
        let parent = tempfile::tempdir().expect("a directory");
        let state = StateDirectory::open_or_create(&parent.path().join("state")).expect("new");
        Self { parent, state }
    }

    fn invite(&self, text: &str) -> Invite {
        self.state
            .create_invite(&name(text), DAY, InviteLimits::default(), at(NEW_YEAR))
            .expect(text)
    }

    fn table(&self) -> InviteTable {
        let identity = self.state.identity().expect("a key");
        InviteTable::load(self.state.clone(), identity).expect("readable")
    }

    fn file(&self, relative: &str) -> PathBuf {
        self.parent.path().join("state").join(relative)
    }

    fn set_mode(&self, relative: &str, mode: u32) {
        fs::set_permissions(self.file(relative), Permissions::from_mode(mode)).expect("own file");
    }
}

fn gate_of(invite: &Invite) -> String {
    ClientIdentity::from_invite(invite).expect("a key").gate_name()
}

#[test]
fn the_key_is_made_once_and_everything_is_private() {
    let lab = Lab::new();
    let key = *lab.state.identity().expect("made").public_key();
    lab.invite("phone");
    let again = StateDirectory::open_or_create(lab.state.path()).expect("exists");
    assert_eq!(*again.identity().expect("read").public_key(), key);
    for (relative, mode) in
        [("", 0o700), ("invites", 0o700), ("listener.key", 0o600), ("invites/phone", 0o600)]
    {
        let found = fs::metadata(lab.file(relative)).expect(relative).mode() & 0o7777;
        assert_eq!(found, mode, "{relative}");
    }
}

#[test]
fn the_key_file_is_pkcs8_as_rfc_8410_prints_it() {
    let lab = Lab::new();
    let der = data_encoding::BASE64
        .decode(b"MC4CAQAwBQYDK2VwBCIEINTuctv5E1hK1bbY8fdp+K06/nwoy/HU++CXqI9EdVhC")
        .expect("base64");
    files::create(&lab.file("listener.key"), &der).expect("new");
    let public = "19bf44096984cdfe8541bac167dc3b96c85086aa30b6b6cb0c5c38ad703166e1";
    let identity = lab.state.identity().expect("a key");
    assert_eq!(data_encoding::HEXLOWER.encode(identity.public_key()), public);
}

#[test]
fn an_invite_leads_to_its_entry_and_its_secret_stays_out_of_the_files() {
    let lab = Lab::new();
    let limits =
        InviteLimits { rate_bps: Some(BitRate::from_megabits(50)), ..InviteLimits::default() };
    let invite =
        lab.state.create_invite(&name("cabin-2"), 7 * DAY, limits, at(NEW_YEAR)).expect("new name");
    assert_eq!(invite.expires, 1_767_830_400);
    let read = Invite::parse(&invite.encode()).expect("own invite");
    assert_eq!(read.listener_key, *lab.state.identity().expect("a key").public_key());

    let known = lab.table().lookup(&gate_of(&read)).expect("known");
    assert_eq!(known.invite.name().as_str(), "cabin-2");
    assert_eq!(
        known.invite.client_key(),
        ClientIdentity::from_invite(&read).expect("a key").public_key()
    );
    assert_eq!(*known.invite.limits(), limits);
    assert_eq!(known.invite.created(), at(NEW_YEAR));

    let stored = fs::read_to_string(lab.file("invites/cabin-2")).expect("written");
    assert!(stored.contains(r#""rate_bps": 50000000"#), "{stored}");
    assert!(stored.contains(r#""expires": "2026-01-08T00:00:00Z""#), "{stored}");
    assert!(!stored.contains(&data_encoding::HEXLOWER.encode(invite.client_seed.expose())));
}

#[test]
fn names_that_are_none_are_refused() {
    for text in ["a", "0", "cabin-2", "a-", &"x".repeat(32)] {
        assert_eq!(name(text).as_str(), text);
    }
    for text in ["", "-a", "A", "a_b", "a.b", "../key", "a/b", "a\0", "ä", " a", &"x".repeat(33)] {
        let error = text.parse::<InviteName>().expect_err(text);
        assert_eq!(error.exit_status(), ExitStatus::Usage);
        assert!(error.hint().is_some());
    }
}

#[test]
fn a_live_name_is_taken_and_a_dead_one_free() {
    let lab = Lab::new();
    let first = lab.invite("phone");
    let again =
        |now| lab.state.create_invite(&name("phone"), DAY, InviteLimits::default(), at(now));
    let error = again(NEW_YEAR + 86_399).expect_err("still alive");
    assert!(matches!(error, StateError::NameTaken { .. }), "{error}");
    assert_eq!(error.exit_status(), ExitStatus::Usage);
    assert!(error.hint().is_some_and(|hint| hint.contains("culvertd revoke phone")));
    assert!(lab.table().lookup(&gate_of(&first)).is_some(), "the first still stands");

    let second = again(NEW_YEAR + 86_400).expect("has ended");
    lab.state.revoke(&name("phone"), at(NEW_YEAR + 90_000)).expect("exists");
    let third = again(NEW_YEAR + 90_001).expect("is revoked");
    let table = lab.table();
    assert!(table.lookup(&gate_of(&first)).is_none() && table.lookup(&gate_of(&second)).is_none());
    assert!(table.lookup(&gate_of(&third)).is_some());
}

#[test]
fn ends_that_cannot_be_written_are_refused() {
    let lab = Lab::new();
    // 2106-02-07 06:28:15 UTC is the last second of an unsigned 32-bit count.
    let last = Duration::from_secs(4_294_967_295 - 1_767_225_600);
    for asked in
        [Duration::ZERO, Duration::from_millis(999), last + Duration::from_secs(1), Duration::MAX]
    {
        let made =
            lab.state.create_invite(&name("far"), asked, InviteLimits::default(), at(NEW_YEAR));
        assert!(matches!(made, Err(StateError::Expiry { .. })), "{asked:?}");
    }
    let made = lab.state.create_invite(&name("far"), last, InviteLimits::default(), at(NEW_YEAR));
    assert_eq!(made.expect("fits").expires, u32::MAX);
}

#[test]
fn a_running_table_follows_the_directory() {
    let lab = Lab::new();
    let mut table = lab.table();
    let now = at(NEW_YEAR + 10);
    let invite = lab.invite("phone");
    let gate = gate_of(&invite);
    assert_eq!(table.standing(&gate, now), Standing::Unknown);

    assert!(table.reload().expect("readable").changed);
    assert_eq!(table.standing(&gate, now), Standing::Good);
    assert_eq!(
        table.standing(&gate, at(NEW_YEAR + 86_400)),
        Standing::Expired { at: at(NEW_YEAR + 86_400) }
    );
    assert!(!table.reload().expect("readable").changed, "nothing was written");

    lab.state.revoke(&name("phone"), now).expect("exists");
    lab.state.revoke(&name("phone"), at(NEW_YEAR + 20)).expect("revoked already");
    assert!(table.reload().expect("readable").changed);
    let revoked = Standing::Revoked { at: now };
    assert_eq!(table.standing(&gate, at(NEW_YEAR + 90_000)), revoked, "said before its end");
    assert!(table.lookup(&gate).is_some(), "a tombstone still leads through the gate");

    fs::remove_file(lab.file("invites/phone")).expect("exists");
    assert!(table.reload().expect("readable").changed);
    assert_eq!(table.standing(&gate, now), Standing::Unknown);
    assert!(matches!(lab.state.revoke(&name("phone"), now), Err(StateError::NoSuchInvite { .. })));
}

#[test]
fn wider_modes_are_refused() {
    let lab = Lab::new();
    lab.invite("phone");
    for (relative, wide, right) in [
        ("", 0o750, 0o700),
        ("invites", 0o701, 0o700),
        ("listener.key", 0o640, 0o600),
        ("invites/phone", 0o604, 0o600),
    ] {
        lab.set_mode(relative, wide);
        let opened = StateDirectory::open_or_create(lab.state.path())
            .and_then(|state| Ok((state.identity()?, state)))
            .and_then(|(identity, state)| InviteTable::load(state, identity));
        let error = opened.expect_err(relative);
        assert!(matches!(error, StateError::File(FileError::TooOpen { .. })), "{error}");
        assert_eq!(error.exit_status(), ExitStatus::LocalFault);
        assert!(error.hint().is_some_and(|hint| hint.contains("chmod")));
        lab.set_mode(relative, right);
    }
    lab.table();
}

#[test]
fn one_bad_file_makes_one_invite_unknown_and_is_told_once() {
    let lab = Lab::new();
    let (phone, cabin) = (lab.invite("phone"), lab.invite("cabin"));
    let mut table = lab.table();
    let now = at(NEW_YEAR);

    lab.set_mode("invites/phone", 0o644);
    let reloaded = table.reload().expect("readable");
    assert!(matches!(reloaded.problems[..], [StateError::File(FileError::TooOpen { .. })]));
    assert!(table.reload().expect("readable").problems.is_empty());
    assert_eq!(table.standing(&gate_of(&phone), now), Standing::Unknown);
    assert_eq!(table.standing(&gate_of(&cabin), now), Standing::Good);

    lab.set_mode("invites/phone", 0o600);
    assert!(table.reload().expect("readable").problems.is_empty());
    assert_eq!(table.standing(&gate_of(&phone), now), Standing::Good);
}

#[test]
fn files_that_do_not_say_what_they_must_are_refused() {
    let lab = Lab::new();
    lab.invite("phone");
    let good = fs::read_to_string(lab.file("invites/phone")).expect("written");
    let key_line = good.lines().find(|line| line.contains("client_key")).expect("a key");
    let changed = [
        String::new(),
        "{}".to_owned(),
        good.replace(r#""phone""#, r#""other""#),
        good.replace(r#""format": 1"#, r#""format": 2"#),
        good.replace(r#""bytes""#, r#""byte""#),
        good.replace(key_line, r#"  "client_key": "00ff","#),
        good.replace("2026-01-02T", "2026-13-02T"),
        good[..good.len() / 2].to_owned(),
    ];
    for json in changed {
        assert_ne!(json, good);
        files::replace(&lab.file("invites/phone"), json.as_bytes()).expect("own file");
        let identity = lab.state.identity().expect("a key");
        let error = InviteTable::load(lab.state.clone(), identity).expect_err(&json);
        assert!(matches!(error, StateError::Damaged { .. }), "{error}");
        assert_eq!(error.exit_status(), ExitStatus::LocalFault);
    }
    files::replace(&lab.file("invites/phone"), good.as_bytes()).expect("own file");
    lab.table();
}

#[test]
fn other_files_among_the_invites_are_passed_over() {
    let lab = Lab::new();
    for other in [".phone.1-0.draft", "phone~", "README.md", "UPPER"] {
        fs::write(lab.file("invites").join(other), "no invite").expect("own directory");
    }
    assert!(!lab.table().reload().expect("readable").changed);
}

#[test]
fn a_damaged_key_is_never_replaced() {
    let lab = Lab::new();
    files::create(&lab.file("listener.key"), b"no key").expect("new");
    let error = lab.state.identity().expect_err("no key");
    assert!(matches!(error, StateError::Key { .. }), "{error}");
    assert_eq!(fs::read(lab.file("listener.key")).expect("kept"), b"no key");
}

#[test]
fn a_directory_that_is_gone_takes_its_invites_along() {
    let lab = Lab::new();
    let gate = gate_of(&lab.invite("phone"));
    let mut table = lab.table();
    fs::remove_dir_all(lab.file("invites")).expect("own directory");
    assert!(table.reload().is_err());
    assert_eq!(table.standing(&gate, at(NEW_YEAR)), Standing::Unknown);
}

#[test]
fn many_at_once_make_one_key_and_lose_no_invite() {
    let lab = Lab::new();
    let made: Vec<Invite> = thread::scope(|scope| {
        let threads: Vec<_> = (0..8)
            .map(|number| {
                let lab = &lab;
                scope.spawn(move || lab.invite(&format!("sender-{number}")))
            })
            .collect();
        threads.into_iter().map(|thread| thread.join().expect("made")).collect()
    });
    let table = lab.table();
    for invite in &made {
        assert_eq!(invite.listener_key, made[0].listener_key);
        assert!(table.lookup(&gate_of(invite)).is_some());
    }
}

#[test]
fn what_root_makes_belongs_to_the_owner_of_the_directory() {
    if !nix::unistd::geteuid().is_root() {
        eprintln!("skipped: changing owners needs root");
        return;
    }
    let lab = Lab::new();
    fs::remove_dir(lab.file("invites")).expect("empty");
    std::os::unix::fs::chown(lab.state.path(), Some(12_345), Some(54_321)).expect("root");
    StateDirectory::open_or_create(lab.state.path()).expect("exists");
    lab.invite("phone");
    for relative in ["invites", "listener.key", "invites/phone"] {
        let found = fs::metadata(lab.file(relative)).expect(relative);
        assert_eq!((found.uid(), found.gid()), (12_345, 54_321), "{relative}");
    }
}
