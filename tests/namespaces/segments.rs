//! TCP's segments and marks as they cross the network, held against what the record says of them.

use culvert_record::RunRecord;

use crate::lab::Lab;

const SHORT: [&str; 6] = ["--toward", "both", "--for", "500ms", "--settle", "300ms"];

/// RFC 9293 3.7.1 and RFC 6691: what both ends agree on leaves the fixed headers out, and options come out of the segment:
/// timestamps take 12 bytes of it (RFC 7323 appendix A).
const TIMESTAMPS: u32 = 12;

fn bulk(lab: &Lab, more: &[&str]) -> RunRecord {
    lab.record(&[&["bulk", lab.outside()][..], &SHORT, more].concat())
}

fn payloads(record: &RunRecord) -> [Option<u32>; 2] {
    [&record.toward_far, &record.toward_near].map(|way| {
        let tcp = way.as_ref()?.tcp.as_ref()?;
        assert_eq!(tcp.timestamps, Some(true), "{record:#?}");
        tcp.segment_payload_bytes
    })
}

/// The near end's interface takes 1400 bytes: 40 of them are headers.
#[test]
fn the_interface_bounds_segments_both_ways() {
    let Some(lab) = Lab::build("segments-mtu") else { return };
    let (gateway, _) = lab.outside().split_once(':').expect("an address and a port");
    let route = lab.run("cabin", "ip", &["-o", "route", "get", gateway]);
    let interface = route.split_whitespace().skip_while(|word| *word != "dev").nth(1);
    lab.run(
        "cabin",
        "ip",
        &["link", "set", "dev", interface.expect("an interface"), "mtu", "1400"],
    );
    let full = Some(1_400 - 40 - TIMESTAMPS);
    assert_eq!(payloads(&bulk(&lab, &[])), [full, full]);
    let asked = Some(1_000 - TIMESTAMPS);
    assert_eq!(payloads(&bulk(&lab, &["--mss", "1000"])), [asked, asked]);
}

/// A router on the way lowers the MSS that both ends offer (nft(8): tcp option maxseg), and counts marks.
#[test]
fn what_a_router_clamps_and_which_marks_it_sees() {
    let Some(lab) = Lab::build("segments-clamp") else { return };
    let rules = "add table ip watch; add chain ip watch way { type filter hook forward priority 0; }; \
                 add rule ip watch way tcp flags syn tcp option maxseg size set 1200; \
                 add counter ip watch far; add counter ip watch near; \
                 add rule ip watch way tcp dport 28460 ip length > 500 ip dscp 34 counter name far; \
                 add rule ip watch way tcp sport 28460 ip length > 500 ip dscp 34 counter name near";
    lab.run("wan", "nft", &[rules]);
    let counted = |name: &str| {
        let shown = lab.run("wan", "nft", &["list", "counter", "ip", "watch", name]);
        let packets = shown.split_whitespace().skip_while(|word| *word != "packets").nth(1);
        packets.and_then(|count| count.parse::<u64>().ok()).expect("a count")
    };
    let clamped = 1_200 - TIMESTAMPS;
    let both = [Some(clamped); 2];
    assert_eq!(payloads(&bulk(&lab, &[])), both);
    assert_eq!((counted("far"), counted("near")), (0, 0), "nobody asked for a mark");
    let record = bulk(&lab, &["--dscp", "34"]);
    assert_eq!(payloads(&record), both);
    for (name, way) in [("far", &record.toward_far), ("near", &record.toward_near)] {
        let way = way.as_ref().expect("data");
        let segments = way.bytes_received.expect("counted") / u64::from(clamped);
        assert!(counted(name) >= segments, "{name}: {} of {segments}", counted(name));
        assert_eq!(way.tcp.as_ref().and_then(|tcp| tcp.dscp).map(u8::from), Some(34));
    }
}
