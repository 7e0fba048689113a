//! What every file of the repository must keep to: which crate may use which, where `unsafe` and absolute paths may stand.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

/// Every crate and the crates of this workspace it may use, tests and build scripts included.
const MAY_USE: &[(&str, &[&str])] = &[
    ("units", &[]),
    ("wire", &["units"]),
    ("pathmodel", &["units"]),
    ("stats", &["units"]),
    ("session", &["units", "wire", "pathmodel", "stats"]),
    ("record", &["units", "wire", "pathmodel", "stats"]),
    ("verdict", &["units", "wire", "pathmodel", "stats", "session", "record"]),
    ("report", &["units", "wire", "pathmodel", "stats", "session", "record", "verdict"]),
    ("os", &["units"]),
    ("pathlab", &["units", "pathmodel", "os"]),
    ("engine", &["units", "wire", "stats", "session", "os"]),
    ("bench", &["units", "wire", "stats", "session", "os", "engine"]),
    ("listener", &["units", "wire", "stats", "session", "os", "engine"]),
    (
        "sender",
        &[
            "units",
            "wire",
            "pathmodel",
            "stats",
            "session",
            "record",
            "verdict",
            "report",
            "os",
            "engine",
            "pathlab",
        ],
    ),
];

/// Crates that touch no socket, clock or file.
const PURE: &[&str] = &["units", "stats", "pathmodel", "wire", "session", "verdict"];

/// What the lints of a pure crate must refuse.
const REFUSED_IN_PURE: &[&str] = &[
    "std::time::Instant::now",
    "std::time::SystemTime::now",
    "std::thread::sleep",
    "std::fs::File",
    "std::net::UdpSocket",
    "std::net::TcpStream",
    "std::net::TcpListener",
];

#[test]
fn crates_use_only_what_lies_below_them() {
    let uses = uses_by_crate();
    assert!(uses.len() > 10, "only {} crates were found", uses.len());
    let complaints: Vec<String> =
        uses.iter().flat_map(|(user, used)| complaints(user, used)).collect();
    assert!(complaints.is_empty(), "{}", complaints.join("\n"));
}

#[test]
fn a_stray_arrow_is_noticed() {
    let used = |name: &str| vec![format!("culvert-{name}")];
    assert_eq!(complaints("culvert-sender", &used("listener")).len(), 1);
    assert_eq!(complaints("culvert-listener", &used("sender")).len(), 1);
    assert_eq!(complaints("culvert-os", &used("session")).len(), 1);
    assert_eq!(complaints("culvert-session", &used("record")).len(), 1);
    assert_eq!(complaints("culvert-newcomer", &[]).len(), 1);
    assert_eq!(complaints("culvert-verdict", &used("record")), Vec::<String>::new());
}

#[test]
fn the_table_has_no_circle() {
    for (index, (user, used)) in MAY_USE.iter().enumerate() {
        let above: Vec<&str> = MAY_USE.iter().skip(index).map(|(name, _)| *name).collect();
        for name in *used {
            assert!(!above.contains(name), "{user} may use {name}, which lies at or above it");
        }
    }
}

#[test]
fn pure_crates_refuse_clocks_sockets_and_files() {
    for name in PURE {
        let path = repository().join("crates").join(name).join("clippy.toml");
        let text = std::fs::read_to_string(&path).unwrap_or_default();
        for refused in REFUSED_IN_PURE {
            assert!(
                text.contains(&format!("\"{refused}\"")),
                "{} does not refuse {refused}",
                path.display()
            );
        }
    }
}

#[test]
fn unsafe_stands_in_one_crate_only() {
    let home = repository().join("crates/os");
    let mut at_home = 0;
    for path in files().iter().filter(|path| path.extension().is_some_and(|end| end == "rs")) {
        let code = code_alone(&std::fs::read_to_string(path).expect("a source"));
        let count = words(&code).filter(|word| *word == "unsafe").count();
        if path.starts_with(&home) {
            at_home += count;
        } else {
            assert_eq!(
                count,
                0,
                "{} holds unsafe code, which belongs to crates/os",
                path.display()
            );
        }
    }
    assert!(at_home > 0, "no unsafe code was found where it must be: the search is broken");
}

#[test]
fn comments_and_texts_are_no_code() {
    let source = r##"
        // unsafe /* unsafe
        /* unsafe /* nested unsafe */ unsafe */
        let a = "unsafe \" unsafe"; let b = r#"unsafe " unsafe"#; let c = '"'; let d = '\'';
        fn f<'a>(x: &'a str) -> &'a str { x } #![deny(unsafe_code)]
        unsafe { g() }
    "##;
    assert_eq!(words(&code_alone(source)).filter(|word| *word == "unsafe").count(), 1);
}

#[test]
fn no_file_names_a_directory_of_one_machine() {
    // Put together here, so that this file does not name them itself.
    let homes = ["root", "home", "work"].map(|name| format!("/{name}/"));
    for path in files() {
        let Ok(text) = std::fs::read_to_string(&path) else { continue };
        for (index, line) in text.lines().enumerate() {
            for home in &homes {
                assert!(!names(line, home), "{}:{} names {home}", path.display(), index + 1);
            }
        }
    }
}

/// Whether `line` holds `directory` as the beginning of an absolute path.
fn names(line: &str, directory: &str) -> bool {
    line.match_indices(directory).any(|(at, _)| {
        let before = line[..at].chars().next_back();
        before.is_none_or(|before| !before.is_alphanumeric() && !"-_.*}~".contains(before))
    })
}

/// What is wrong with these uses, one sentence each.
fn complaints(user: &str, used: &[String]) -> Vec<String> {
    let short = |name: &str| name.strip_prefix("culvert-").unwrap_or(name).to_owned();
    // The package of the programs and their tests stands above everything.
    if user == "culvert" {
        return Vec::new();
    }
    let Some((_, allowed)) = MAY_USE.iter().find(|(name, _)| *name == short(user)) else {
        return vec![format!("the crate {user} has no line in the table of tests/arrows.rs")];
    };
    used.iter()
        .map(|name| short(name))
        .filter(|name| !allowed.contains(&name.as_str()))
        .map(|name| format!("{user} uses {name}, which does not lie below it"))
        .collect()
}

/// Every crate of the workspace with the crates of the workspace that it names, for whatever purpose.
fn uses_by_crate() -> Vec<(String, Vec<String>)> {
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version", "1", "--no-deps", "--offline"])
        .current_dir(repository())
        .output()
        .expect("cargo runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let packages = metadata.get("packages").and_then(Value::as_array).expect("packages");
    let name_of =
        |value: &Value| value.get("name").and_then(Value::as_str).expect("a name").to_owned();
    let ours: BTreeSet<String> = packages.iter().map(name_of).collect();
    packages
        .iter()
        .map(|package| {
            let used = package.get("dependencies").and_then(Value::as_array).expect("dependencies");
            (
                name_of(package),
                used.iter().map(name_of).filter(|name| ours.contains(name)).collect(),
            )
        })
        .collect()
}

fn repository() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Every file of the repository that is not made by building, running or version control.
fn files() -> Vec<PathBuf> {
    let ignored = std::fs::read_to_string(repository().join(".gitignore")).unwrap_or_default();
    let ignored: Vec<&str> = ignored.lines().map(|line| line.trim_matches('/')).collect();
    let mut found = Vec::new();
    let mut folders = vec![repository().to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(&folder).expect("a folder") {
            let entry = entry.expect("an entry");
            let name = entry.file_name();
            let is_made = name == ".git" || ignored.iter().any(|ignored| name == **ignored);
            let kind = entry.file_type().expect("its type");
            match (is_made, kind.is_dir(), kind.is_file()) {
                (false, true, _) => folders.push(entry.path()),
                (false, _, true) => found.push(entry.path()),
                _ => {}
            }
        }
    }
    assert!(found.len() > 100, "only {} files were found", found.len());
    found
}

/// Source text without its comments and without what stands in quotes.
fn code_alone(source: &str) -> String {
    let mut code = String::new();
    let mut rest = source;
    while let Some(first) = rest.chars().next() {
        let skipped = skipped_at(rest, code.chars().next_back());
        if skipped == 0 {
            code.push(first);
        } else {
            code.push(' ');
        }
        rest = &rest[skipped.max(first.len_utf8())..];
    }
    code
}

/// The length of the comment or quotation that begins here; 0 when none does.
fn skipped_at(rest: &str, before: Option<char>) -> usize {
    let in_word = before.is_some_and(|before| before.is_alphanumeric() || before == '_');
    let raw = rest.trim_start_matches('b').strip_prefix('r').filter(|_| !in_word);
    let fence = raw.map(|raw| raw.len() - raw.trim_start_matches('#').len());
    if rest.starts_with("//") {
        rest.find('\n').unwrap_or(rest.len())
    } else if rest.starts_with("/*") {
        block_comment(rest)
    } else if let Some((raw, fence)) = raw.zip(fence).filter(|(raw, n)| raw[*n..].starts_with('"'))
    {
        let end = format!("\"{}", "#".repeat(fence));
        let begin = rest.len() - raw.len() + fence + 1;
        rest[begin..].find(&end).map_or(rest.len(), |at| begin + at + end.len())
    } else if rest.starts_with('"') {
        quotation(rest, '"')
    } else if rest.starts_with("'\\") || rest.chars().nth(2) == Some('\'') && rest.starts_with('\'')
    {
        quotation(rest, '\'')
    } else {
        0
    }
}

/// Block comments nest.
fn block_comment(rest: &str) -> usize {
    let mut depth = 0_usize;
    let mut at = 0;
    while at < rest.len() {
        let here = &rest[at..];
        if here.starts_with("/*") {
            depth += 1;
            at += 2;
        } else if here.starts_with("*/") {
            depth -= 1;
            at += 2;
            if depth == 0 {
                return at;
            }
        } else {
            at += here.chars().next().map_or(1, char::len_utf8);
        }
    }
    rest.len()
}

fn quotation(rest: &str, mark: char) -> usize {
    let mut escaped = false;
    for (at, letter) in rest.char_indices().skip(1) {
        if !escaped && letter == mark {
            return at + letter.len_utf8();
        }
        escaped = !escaped && letter == '\\';
    }
    rest.len()
}

fn words(code: &str) -> impl Iterator<Item = &str> {
    code.split(|letter: char| !letter.is_alphanumeric() && letter != '_')
}
