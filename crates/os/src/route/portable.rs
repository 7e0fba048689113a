//! What can be said of routing where the system is not asked: nothing.

use std::{
    io,
    net::{IpAddr, SocketAddr},
};

use super::{Interface, Route};

/// Fails as unsupported.
pub fn route_to(_destination: IpAddr, _from: Option<IpAddr>) -> io::Result<Route> {
    Err(io::ErrorKind::Unsupported.into())
}

/// Fails as unsupported.
pub fn route_to_peer(_peer: SocketAddr, _from: Option<IpAddr>) -> io::Result<Route> {
    Err(io::ErrorKind::Unsupported.into())
}

/// Fails as unsupported.
pub fn interfaces() -> io::Result<Vec<Interface>> {
    Err(io::ErrorKind::Unsupported.into())
}

/// Fails as unsupported.
pub fn interface_of(_local: IpAddr) -> io::Result<Option<Interface>> {
    Err(io::ErrorKind::Unsupported.into())
}

#[cfg(test)]
mod tests {
    use std::net::Ipv4Addr;

    use super::*;

    #[test]
    fn nothing_is_made_up() {
        let local = IpAddr::V4(Ipv4Addr::LOCALHOST);
        let kinds = [
            route_to(local, None).map(drop),
            route_to_peer((local, 9).into(), None).map(drop),
            interfaces().map(drop),
            interface_of(local).map(drop),
        ]
        .map(|answer| answer.unwrap_err().kind());
        assert_eq!(kinds, [io::ErrorKind::Unsupported; 4]);
    }
}
