//! Where the listener is dialled: `host[:port]`.

use std::{
    fmt,
    net::{IpAddr, Ipv4Addr, Ipv6Addr},
    str::FromStr,
};

/// The port of a listener unless told otherwise.
pub const DEFAULT_PORT: u16 = 28460;

/// A host by name or address, and a port. The name is not looked up here.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct Target {
    host: String,
    address: Option<IpAddr>,
    port: u16,
}

/// Why a target was refused.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum TargetError {
    /// Longer than any host with its port.
    #[error("{0} bytes are more than a host name and a port can have")]
    Long(usize),
    /// Nothing stands where the host belongs.
    #[error("'{0}' names no host")]
    NoHost(String),
    /// Colons of an address and the colon of the port cannot be told apart.
    #[error("'{0}' has several colons outside of brackets")]
    Brackets(String),
    /// What follows the colon is no port.
    #[error("'{port}' in '{text}' is no port from 1 to 65535")]
    Port {
        /// What was typed.
        text: String,
        /// The part after the colon.
        port: String,
    },
    /// Neither a name nor an address.
    #[error(
        "'{0}' is neither a host name (RFC 1123 2.1) nor an IPv4 address, nor an IPv6 address in brackets"
    )]
    Host(String),
}

impl TargetError {
    /// What to try.
    pub fn hint(&self) -> String {
        match self {
            Self::Brackets(text) => format!("write an IPv6 address in brackets: [{text}]"),
            Self::Port { .. } => {
                format!("leave the port away to use {DEFAULT_PORT}, or write host:port")
            }
            Self::Long(_) | Self::NoHost(_) | Self::Host(_) => {
                "write gateway.example, 192.0.2.7 or [2001:db8::7], with :port when it is not 28460"
                    .to_owned()
            }
        }
    }
}

impl Target {
    /// The host name, or the address without brackets.
    pub fn host(&self) -> &str {
        &self.host
    }

    /// The address, when it was typed as one.
    pub const fn address(&self) -> Option<IpAddr> {
        self.address
    }

    /// The port.
    pub const fn port(&self) -> u16 {
        self.port
    }
}

impl FromStr for Target {
    type Err = TargetError;

    fn from_str(text: &str) -> Result<Self, Self::Err> {
        if text.len() > MOST_TEXT {
            return Err(TargetError::Long(text.len()));
        }
        if let Some(rest) = text.strip_prefix('[') {
            let (inside, after) =
                rest.split_once(']').ok_or_else(|| TargetError::Host(text.to_owned()))?;
            let address: Ipv6Addr =
                inside.parse().map_err(|_| TargetError::Host(text.to_owned()))?;
            let port = match after.strip_prefix(':') {
                Some(port) => parse_port(text, port)?,
                None if after.is_empty() => DEFAULT_PORT,
                None => return Err(TargetError::Host(text.to_owned())),
            };
            return Ok(Self { host: address.to_string(), address: Some(address.into()), port });
        }
        let (host, port) = match text.split_once(':') {
            Some((_, port)) if port.contains(':') => {
                return Err(TargetError::Brackets(text.to_owned()));
            }
            Some((host, port)) => (host, parse_port(text, port)?),
            None => (text, DEFAULT_PORT),
        };
        if host.is_empty() {
            return Err(TargetError::NoHost(text.to_owned()));
        }
        let address = host.parse::<Ipv4Addr>().ok().map(IpAddr::from);
        if address.is_none() && !is_host_name(host) {
            return Err(TargetError::Host(text.to_owned()));
        }
        Ok(Self { host: host.to_owned(), address, port })
    }
}

impl fmt::Display for Target {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.address {
            Some(IpAddr::V6(address)) => write!(f, "[{address}]:{}", self.port),
            _ => write!(f, "{}:{}", self.host, self.port),
        }
    }
}

fn parse_port(text: &str, port: &str) -> Result<u16, TargetError> {
    let digits = !port.is_empty() && port.bytes().all(|byte| byte.is_ascii_digit());
    let number = digits.then(|| port.parse().ok()).flatten().filter(|number| *number != 0);
    number.ok_or_else(|| TargetError::Port { text: text.to_owned(), port: port.to_owned() })
}

/// RFC 1123 2.1: labels of letters, digits and inner hyphens; a last label of digits alone would be a broken address.
fn is_host_name(host: &str) -> bool {
    let label_fits = |label: &str| {
        (1..=63).contains(&label.len())
            && label.bytes().all(|byte| byte.is_ascii_alphanumeric() || byte == b'-')
            && !label.starts_with('-')
            && !label.ends_with('-')
    };
    let last = host.rsplit('.').next().unwrap_or(host);
    host.len() <= 253
        && host.split('.').all(label_fits)
        && !last.bytes().all(|byte| byte.is_ascii_digit())
}

/// 253 bytes of host name (RFC 1035 2.3.4), a colon and five digits.
const MOST_TEXT: usize = 253 + 1 + 5;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_names_and_addresses() {
        for (text, host, port, shown) in [
            ("gateway.example", "gateway.example", 28460, "gateway.example:28460"),
            ("gateway.example:4500", "gateway.example", 4500, "gateway.example:4500"),
            ("192.0.2.7:1", "192.0.2.7", 1, "192.0.2.7:1"),
            ("[2001:db8::7]", "2001:db8::7", 28460, "[2001:db8::7]:28460"),
            ("[::1]:65535", "::1", 65535, "[::1]:65535"),
            ("localhost", "localhost", 28460, "localhost:28460"),
        ] {
            let target: Target = text.parse().expect(text);
            assert_eq!((target.host(), target.port()), (host, port));
            assert_eq!(target.to_string(), shown);
            assert_eq!(shown.parse::<Target>().as_ref(), Ok(&target));
        }
    }

    #[test]
    fn refuses_other_shapes() {
        type Made = fn(String) -> TargetError;
        for (text, made) in [
            ("", TargetError::NoHost as Made),
            (":28460", TargetError::NoHost),
            ("2001:db8::7", TargetError::Brackets),
            ("[2001:db8::7", TargetError::Host),
            ("[2001:db8::7]28460", TargetError::Host),
            ("[192.0.2.7]", TargetError::Host),
            ("192.0.2.300", TargetError::Host),
            ("gateway_.example", TargetError::Host),
            ("-gateway.example", TargetError::Host),
            ("gate way", TargetError::Host),
            ("a..b", TargetError::Host),
        ] {
            assert_eq!(text.parse::<Target>(), Err(made(text.to_owned())), "{text}");
        }
        for text in ["a:", "a:0", "a:65536", "a:+5", "a:http", "[::1]:"] {
            assert!(matches!(text.parse::<Target>(), Err(TargetError::Port { .. })), "{text}");
        }
    }

    #[test]
    fn lengths_end_where_host_names_do() {
        let label = "a".repeat(63);
        let longest = format!("{label}.{label}.{label}.{}", "a".repeat(61));
        assert!(format!("{longest}:28460").parse::<Target>().is_ok());
        assert_eq!(longest.len(), 253);
        assert!(matches!(format!("{longest}a").parse::<Target>(), Err(TargetError::Host(_))));
        assert_eq!("a".repeat(260).parse::<Target>(), Err(TargetError::Long(260)));
    }

    proptest::proptest! {
        #[test]
        fn no_text_panics(text: String) {
            if let Ok(target) = text.parse::<Target>() {
                proptest::prop_assert_eq!(target.to_string().parse(), Ok(target));
            }
        }
    }
}
