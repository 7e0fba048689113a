use std::array;

use proptest::prelude::*;

use super::*;

/// Listener key 00..1f, seed 80..9f, expiry 2026-01-01 00:00 UTC; put together by Python's `struct`, `zlib.crc32`
/// and `base64.b32encode`, not by this program.
const BY_PYTHON: &str = "cvt1aaaqeayeaudaocajbifqydiob4ibceqtcqkrmfyydenbwha5dypybamcqocilbuhrceyvc4mrwhi7eerskjzjfmws6mjtgu3tsoz5h3jkw4qaf4mi4fq";

fn python_invite() -> Invite {
    Invite {
        listener_key: array::from_fn(|at| u8::try_from(at).expect("small")),
        client_seed: Secret::new(array::from_fn(|at| 0x80 + u8::try_from(at).expect("small"))),
        expires: 1_767_225_600,
    }
}

#[test]
fn agrees_with_an_independent_encoder() {
    assert_eq!(*python_invite().encode(), BY_PYTHON);
    assert_eq!(Invite::parse(BY_PYTHON), Ok(python_invite()));
    assert_eq!(Invite::parse(&format!(" \t{BY_PYTHON}\r\n")), Ok(python_invite()));
}

#[test]
fn each_mistake_has_its_own_error() {
    let cases = [
        (String::new(), InviteError::Prefix),
        ("hello".to_owned(), InviteError::Prefix),
        (BY_PYTHON.to_uppercase(), InviteError::Prefix),
        (BY_PYTHON.replacen("cvt1", "cvt2", 1), InviteError::Version),
        (BY_PYTHON[..119].to_owned(), InviteError::Length { got: 119 }),
        (format!("{BY_PYTHON}a"), InviteError::Length { got: 121 }),
        (BY_PYTHON.replacen("aaaqe", "aaa1e", 1), InviteError::Alphabet { position: 8 }),
        (BY_PYTHON.replacen("aaaqe", "aaaQe", 1), InviteError::Alphabet { position: 8 }),
        (BY_PYTHON.replacen("aaaqe", "aaaäe", 1), InviteError::Alphabet { position: 8 }),
        (BY_PYTHON.replacen("aaaqe", "aaqae", 1), InviteError::Checksum),
        // The last of 116 characters carries one bit, so "r" for "q" leaves a stray bit behind.
        (BY_PYTHON.replacen("mi4fq", "mi4fr", 1), InviteError::Checksum),
    ];
    for (text, expected) in cases {
        assert_eq!(Invite::parse(&text), Err(expected), "{text}");
    }
}

#[test]
fn an_invite_without_an_end_is_refused() {
    let endless = Invite { expires: 0, ..python_invite() };
    assert_eq!(Invite::parse(&endless.encode()), Err(InviteError::Endless));
}

#[test]
fn expires_at_its_second() {
    let invite = python_invite();
    assert!(!invite.has_expired(1_767_225_599));
    assert!(invite.has_expired(1_767_225_600));
    assert!(invite.has_expired(u64::MAX));
}

#[test]
fn debug_shows_no_secret() {
    let shown = format!("{:?}", python_invite());
    assert!(!shown.contains("128, 129"), "{shown}");
    assert!(shown.contains("hidden"), "{shown}");
}

#[test]
fn errors_never_repeat_the_text() {
    let wrong = BY_PYTHON.replacen("aaaqe", "aaqae", 1);
    let shown = culvert_units::explain(&Invite::parse(&wrong).expect_err("wrong checksum"));
    assert!(shown.contains("typing error") && shown.contains("hint: "), "{shown}");
    assert!(!shown.contains("aaqae"), "{shown}");
}

proptest! {
    #[test]
    fn any_invite_survives(listener_key: [u8; 32], seed: [u8; 32], expires in 1..=u32::MAX) {
        let invite = Invite { listener_key, client_seed: Secret::new(seed), expires };
        let line = invite.encode();
        prop_assert_eq!(line.len(), INVITE_LEN);
        prop_assert_eq!(Invite::parse(&line), Ok(invite));
    }

    #[test]
    fn one_wrong_character_is_found(at in 4_usize..120, with in "[a-z2-7]") {
        let mut text = BY_PYTHON.to_owned();
        text.replace_range(at..=at, &with);
        prop_assume!(text != BY_PYTHON);
        prop_assert_eq!(Invite::parse(&text), Err(InviteError::Checksum));
    }

    #[test]
    fn no_text_panics(text: String, symbols in "[a-z2-7]{116}") {
        let _ = Invite::parse(&text);
        let _ = Invite::parse(&format!("cvt1{text}"));
        let _ = Invite::parse(&format!("cvt1{symbols}"));
    }
}
