//! Reading `TCP_INFO` of Linux.

use std::{
    io,
    mem::{offset_of, zeroed},
    os::fd::AsRawFd,
};

use culvert_units::BitRate;
use libc::{socklen_t, tcp_info};

use super::TcpInfo;
use crate::socket::AsSystem;

impl TcpInfo {
    /// Reads the account of a stream socket.
    pub fn read(socket: &impl AsSystem) -> io::Result<Self> {
        #[expect(unsafe_code, reason = "the structure has no other constructor")]
        // SAFETY: it consists of integers, for which zero is a valid value.
        let mut info: tcp_info = unsafe { zeroed() };
        let mut length = socklen_t::try_from(size_of::<tcp_info>()).unwrap_or_default();
        let descriptor = socket.as_fd().as_raw_fd();
        #[expect(
            unsafe_code,
            reason = "the safe wrappers panic where kernel and library differ in length"
        )]
        // SAFETY: the pointer and `length` describe `info`, which outlives the call; any bytes are valid integers.
        let outcome = unsafe {
            libc::getsockopt(
                descriptor,
                libc::IPPROTO_TCP,
                libc::TCP_INFO,
                (&raw mut info).cast(),
                &raw mut length,
            )
        };
        if outcome == 0 {
            Ok(Self::from_kernel(&info, length as usize))
        } else {
            Err(io::Error::last_os_error())
        }
    }

    fn from_kernel(info: &tcp_info, filled: usize) -> Self {
        // A field counts only when the kernel filled it whole.
        macro_rules! late {
            ($field:ident) => {
                (filled >= offset_of!(tcp_info, $field) + size_of_val(&info.$field))
                    .then_some(info.$field)
            };
        }
        Self {
            timestamps: info.tcpi_options & OPTION_TIMESTAMPS != 0,
            send_mss: info.tcpi_snd_mss,
            advertised_mss: info.tcpi_advmss,
            path_mtu: info.tcpi_pmtu,
            congestion_window: info.tcpi_snd_cwnd,
            reordering: info.tcpi_reordering,
            segments_retransmitted: info.tcpi_total_retrans,
            rtt_us: Some(info.tcpi_rtt).filter(|&rtt| rtt != 0),
            min_rtt_us: late!(tcpi_min_rtt).filter(|&rtt| rtt != NO_MIN_RTT),
            bytes_sent: late!(tcpi_bytes_sent),
            bytes_retransmitted: late!(tcpi_bytes_retrans),
            bytes_acknowledged: late!(tcpi_bytes_acked),
            bytes_received: late!(tcpi_bytes_received),
            delivery_rate: late!(tcpi_delivery_rate)
                .filter(|&bytes_per_second| bytes_per_second != 0)
                .map(|rate| BitRate::from_bits_per_second(rate.saturating_mul(8))),
            busy_time_us: late!(tcpi_busy_time),
            receive_window_limited_us: late!(tcpi_rwnd_limited),
            send_buffer_limited_us: late!(tcpi_sndbuf_limited),
        }
    }
}

/// `TCPI_OPT_TIMESTAMPS` of Linux's `linux/tcp.h`.
const OPTION_TIMESTAMPS: u8 = 1;
/// What the kernel holds before the first sample: all ones (`tcp_min_rtt` of Linux's `net/tcp.h`).
const NO_MIN_RTT: u32 = u32::MAX;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_beyond_what_the_kernel_filled_are_missing() {
        #[expect(unsafe_code, reason = "the structure has no other constructor")]
        // SAFETY: it consists of integers, for which zero is a valid value.
        let mut info: tcp_info = unsafe { zeroed() };
        info.tcpi_snd_mss = 1448;
        info.tcpi_bytes_acked = 7;
        info.tcpi_bytes_retrans = 9;
        // Lengths are sums of the fields of Linux's linux/tcp.h: 104 up to tcpi_total_retrans, 128 up to tcpi_bytes_acked.
        let oldest = TcpInfo::from_kernel(&info, 104);
        assert_eq!(oldest.send_mss, 1448);
        assert_eq!((oldest.bytes_acknowledged, oldest.bytes_retransmitted), (None, None));
        assert_eq!(TcpInfo::from_kernel(&info, 127).bytes_acknowledged, None);
        assert_eq!(TcpInfo::from_kernel(&info, 128).bytes_acknowledged, Some(7));
        let whole = TcpInfo::from_kernel(&info, size_of::<tcp_info>());
        assert_eq!(whole.bytes_retransmitted, Some(9));
    }

    #[test]
    fn what_was_never_measured_is_missing() {
        #[expect(unsafe_code, reason = "the structure has no other constructor")]
        // SAFETY: it consists of integers, for which zero is a valid value.
        let mut info: tcp_info = unsafe { zeroed() };
        info.tcpi_min_rtt = u32::MAX;
        let read = TcpInfo::from_kernel(&info, size_of::<tcp_info>());
        assert_eq!((read.rtt_us, read.min_rtt_us, read.delivery_rate), (None, None, None));
    }
}
