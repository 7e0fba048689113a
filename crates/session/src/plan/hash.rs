//! What tells one plan from another.

use std::fmt::Write as _;

use toml::de::{DeTable, DeValue};

/// Keys that change how a survey is carried out, not what it measures: a failing command may be mended and a budget
/// raised without making the runs that are done those of another survey.
const LEFT_OUT: &[&str] = &["at_most", "time_budget", "bring_up", "take_down", "is_up"];

/// SHA-256 (FIPS 180-4), in hexadecimal digits, of the plan's content: comments, space and the order of keys do not
/// matter, nor do budgets and commands.
pub(super) fn hash(plan: &DeTable<'_>) -> String {
    let mut content = String::from("culvert plan 1 ");
    write_table(plan, &mut content);
    hexadecimal(ring::digest::digest(&ring::digest::SHA256, content.as_bytes()).as_ref())
}

fn write_table(table: &DeTable<'_>, content: &mut String) {
    let mut entries: Vec<_> = table
        .iter()
        .map(|(key, value)| (key.get_ref().as_ref(), value.get_ref()))
        .filter(|(key, _)| !LEFT_OUT.contains(key))
        .collect();
    entries.sort_unstable_by_key(|(key, _)| *key);
    content.push('{');
    for (key, value) in entries {
        write_text(key, content);
        write_value(value, content);
    }
    content.push('}');
}

fn write_value(value: &DeValue<'_>, content: &mut String) {
    match value {
        DeValue::String(text) => write_text(text, content),
        DeValue::Integer(integer) => match i64::from_str_radix(integer.as_str(), integer.radix()) {
            Ok(number) => write_plain('i', &number.to_string(), content),
            Err(_) => write_plain('i', integer.as_str(), content),
        },
        DeValue::Float(float) => write_plain('f', float.as_str(), content),
        DeValue::Boolean(flag) => write_plain('b', if *flag { "true" } else { "false" }, content),
        DeValue::Datetime(time) => write_plain('t', &time.to_string(), content),
        DeValue::Array(array) => {
            content.push('[');
            for each in array {
                write_value(each.get_ref(), content);
            }
            content.push(']');
        }
        DeValue::Table(table) => write_table(table, content),
    }
}

/// The length goes before the text, so that no two contents are written alike.
fn write_text(text: &str, content: &mut String) {
    write_plain('s', &format!("{}:{text}", text.len()), content);
}

fn write_plain(kind: char, text: &str, content: &mut String) {
    content.push(kind);
    content.push_str(text);
    content.push(';');
}

fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().fold(String::with_capacity(2 * bytes.len()), |mut text, byte| {
        // Writing into a String cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hash_of(text: &str) -> String {
        hash(DeTable::parse(text).expect("TOML").get_ref())
    }

    #[test]
    fn equals_the_digest_of_the_content() {
        // FIPS 180-4's one-block example, "abc", checks the digest and its spelling.
        assert_eq!(
            hexadecimal(ring::digest::digest(&ring::digest::SHA256, b"abc").as_ref()),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
    }

    #[test]
    fn only_what_is_measured_counts() {
        let plain = hash_of("a = 1\nb = [\"x\", \"y\"]\n[c]\nd = true\n");
        for same in [
            "# a comment\nb = [ 'x',\n 'y' ]\na=0x1\nc.d = true\n",
            "a = 1\nb = [\"x\", \"y\"]\nat_most = \"1GB\"\ntime_budget = \"1h\"\n[c]\nd = true\nbring_up = \"up\"\n",
        ] {
            assert_eq!(hash_of(same), plain, "{same}");
        }
        for other in [
            "a = 2\nb = [\"x\", \"y\"]\n[c]\nd = true\n",
            "a = \"1\"\nb = [\"x\", \"y\"]\n[c]\nd = true\n",
            "a = 1\nb = [\"y\", \"x\"]\n[c]\nd = true\n",
            "a = 1\nb = [\"xy\"]\n[c]\nd = true\n",
            "a = 1\nb = [\"x\", \"y\"]\n[c]\nd = false\n",
            "a = 1\nb = [\"x\", \"y\"]\nd = true\n[c]\n",
        ] {
            assert_ne!(hash_of(other), plain, "{other}");
        }
    }
}
