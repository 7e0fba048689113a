//! The preflight where nothing is in the way.

use serde_json::Value;

use crate::common::{LOOPBACK, Pair, V4};

#[test]
fn loopback_takes_the_longest_packet_there_is() {
    for ip in LOOPBACK {
        let pair = Pair::at(ip);
        let done = pair.run(&["preflight", "--json", "--baseline", "500ms"], &[]);
        let document = done.expect_code(0).json();
        assert_eq!(document["schema"], "culvert/preflight/1");
        assert_eq!(document["complete"], true, "{document:#}");
        let family = if ip.is_ipv4() { "ipv4" } else { "ipv6" };
        assert_eq!(document["family"], family);
        assert_eq!(
            (&document["tcp_reached"], &document["udp_reached"]),
            (&true.into(), &true.into())
        );
        // The kernel's own word; an IP packet has 65,535 bytes at most (RFC 791).
        let text = std::fs::read_to_string("/sys/class/net/lo/mtu").expect("the loopback's MTU");
        let mtu: u32 = text.trim().parse().expect("a number");
        for end in ["near", "far"] {
            let end = &document[end];
            let shown =
                (&end["address"], &end["interface"], &end["interface_mtu"], &end["seen_from"]);
            let address = ip.to_string();
            let expected =
                (address.as_str().into(), "lo".into(), mtu.into(), address.as_str().into());
            assert_eq!(shown, (&expected.0, &expected.1, &expected.2, &expected.3));
        }
        for way in ["toward_far", "toward_near"] {
            let found = &document[way]["path_mtu"];
            assert_eq!(found["verdict"], "at_ceiling", "{found:#}");
            assert_eq!(found["largest_passing"], mtu.min(65_535));
        }
        let rtt = &document["rtt_baseline_us"];
        let (n, probes) =
            (rtt["n"].as_u64().expect("N"), document["rtt_probes"].as_u64().expect("probes"));
        // One probe every 20 ms for half a second.
        assert!(n > 0 && n <= probes && probes <= 25, "{n} of {probes}");
        // RFC 5905 section 8: an offset is known to half of the shortest round trip.
        let error = document["clock_error_us"].as_f64().expect("a bound");
        let shortest = rtt["min"].as_f64().expect("a shortest");
        assert!((error - shortest / 2.0).abs() <= 1.0, "{error} and {shortest}");
        assert_eq!(codes(&document).iter().filter(|code| **code == "no_nat").count(), 1);
    }
}

#[test]
fn limits_and_the_volume_of_a_plan_are_told() {
    let options = ["--limit-duration", "30s", "--limit-rate", "80Mbit/s", "--limit-bytes", "40MB"];
    let pair = Pair::with(V4, &options);
    // 3 rounds, one path outside and one inside, 1 Mbit/s one way for 1 s and a settle time of 1 s.
    let plan = format!(
        "name = \"two\"\nrounds = 3\n[[paths]]\nname = \"a\"\nplace = \"outside\"\ntarget = \"{0}\"\n[[paths]]\n\
         name = \"b\"\nplace = \"inside\"\ntarget = \"{0}\"\nencapsulation = \"wireguard\"\n[[sessions]]\n\
         kind = \"paced\"\npace = \"1Mbit/s\"\npayload = 1250\ntoward = \"far\"\nfor = \"1s\"\nsettle = \"1s\"\n",
        pair.listener().target()
    );
    pair.bench().write("plan.toml", plan);
    let document =
        pair.run(&["preflight", "--json", "--plan", "plan.toml"], &[]).expect_code(0).json();
    let limits = &document["limits"];
    assert_eq!(limits["duration_ms"], 30_000);
    assert_eq!((&limits["rate_bps"], &limits["bytes"]), (&80_000_000.into(), &40_000_000.into()));
    // 2 s at 1 Mbit/s are 250,000 bytes, six times.
    assert_eq!(document["plan"]["bytes"], 1_500_000, "{:#}", document["plan"]);
    let budget = document["sounding_bytes_each_way"].as_u64().expect("a budget");
    assert!(budget > 0 && budget <= 20_000_000, "{budget}");
}

/// 200 kB for both ways let one packet of 65,535 bytes pass each way, which decides nothing.
#[test]
fn a_budget_that_ends_the_search_leaves_no_figure_that_looks_whole() {
    let pair = Pair::with(V4, &["--limit-bytes", "200kB"]);
    let done = pair.run(&["preflight", "--json", "--baseline", "100ms"], &[]);
    let document = done.expect_code(1).json();
    assert_eq!(document["complete"], false);
    assert_eq!(document["toward_near"]["path_mtu"]["verdict"], "unfinished");
    assert!(codes(&document).contains(&"path_mtu_unfinished"));
    let text = pair.run(&["preflight", "--baseline", "100ms"], &[]);
    assert!(text.expect_code(1).stdout.contains("the search did not end"), "{text:#?}");
    assert!(text.stdout.contains("incomplete"), "{text:#?}");
}

fn codes(document: &Value) -> Vec<&str> {
    let remarks = document["remarks"].as_array().expect("remarks");
    remarks.iter().filter_map(|remark| remark["code"].as_str()).collect()
}
