"""Paced runs over emulated paths whose truth is known, as one table: scripts/scenarios says how to start it.

Each run is held against two witnesses that know nothing of the programs: what the emulated path says it did to every
packet, and captures of both ends, computed again by capture.py. Counts must be equal. Delays: a datagram's stamp in the
capture is the one its socket gets, since the kernel stamps a packet once for all who ask, but the receiver turns it into
monotonic time by two clocks read a microsecond apart at most; so times agree to 2 us, percentiles to that and to the
resolution of their histogram, a thousandth. A one-way delay is held to its own error: both hosts are on one machine, so the
captures of both ends have one clock. The path's own delays leave out what the machine adds: the captures' median may lie
0.5 ms and the 95th percentile 1.5 ms above it, beyond how late the path says it was itself; and neither may lie below.
"""

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import capture

PAYLOAD = 1200
# What the machine adds at most to the delays that 50 and 95 of 100 packets keep, beyond the lateness that the path owns up
# to. Nothing makes a packet early but a stamp: two are taken of each, 2 us off at most, and a histogram's thousandth.
LATE_US = {0.5: 500, 0.95: 1_500}
EARLY_US = 20
ATTEMPTS = 4

# name, toward, family, lines of the path's both ways, lines of the path
SCENARIOS = [
    ("clean", "far", 4, "", ""),
    ("clean", "near", 6, "", ""),
    ("loss 2 %", "far", 4, "loss = { ratio = 0.02 }", ""),
    ("loss 2 %", "near", 4, "loss = { ratio = 0.02 }", ""),
    ("loss 20 %", "far", 6, "loss = { ratio = 0.2 }", ""),
    ("loss one in 100", "near", 4, "loss = { one_in = 100 }", ""),
    ("loss one in 7", "far", 4, "loss = { one_in = 7 }", ""),
    ("bursts", "far", 4, "loss = { bursts = { enter = 0.005, leave = 0.25 } }", ""),
    ("bursts", "near", 6, "loss = { bursts = { enter = 0.002, leave = 0.05 } }", ""),
    ("bursts, in part", "far", 4, "loss = { bursts = { enter = 0.01, leave = 0.1, loss_in_good = 0.001, loss_in_bad = 0.5 } }", ""),
    ("reordering 3 %", "far", 4, 'reorder = { ratio = 0.03, by = "3ms" }', ""),
    ("reordering, far", "near", 4, 'reorder = { one_in = 50, by = "20ms" }', ""),
    ("reordering and loss", "far", 6, 'reorder = { ratio = 0.1, by = "2ms" }\nloss = { ratio = 0.05 }', ""),
    ("duplicates", "near", 4, "duplicate = { ratio = 0.05 }", ""),
    ("duplicates", "far", 6, "duplicate = { one_in = 10 }", ""),
    ("jitter, even", "far", 4, 'jitter = { uniform = "8ms" }', ""),
    ("jitter, normal", "near", 4, 'jitter = { normal = { mean = "6ms", deviation = "2ms" } }', ""),
    ("all at once", "both", 4, 'loss = { ratio = 0.02 }\nduplicate = { ratio = 0.01 }\nreorder = { ratio = 0.03, by = "3ms" }', ""),
    ("tunnel", "both", 4, "loss = { ratio = 0.01 }", 'encapsulation = "wireguard"'),
    ("tunnel, bursts", "far", 6, "loss = { bursts = { enter = 0.01, leave = 0.3 } }", 'encapsulation = "openvpn-udp-aead"'),
]


def addresses(family):
    return ("10.90.1.1", "10.90.1.2") if family == 4 else ("fd00:90::1", "fd00:90::2")


def run(programs, folder, seed, scenario):
    """One run: its record, the path's truth and packets, and the captures of both ends."""
    _, toward, family, both_ways, path = scenario
    near, far = addresses(family)
    (folder / "lab.toml").write_text(
        f'[[paths]]\nname = "path"\nnear = "{near}"\nfar = "{far}"\n{path}\n'
        f'[paths.both_ways]\nrate = "100Mbit/s"\ndelay = "5ms"\n{both_ways}\n'
    )
    state = folder / "state"
    state.mkdir(mode=0o700)
    invite = subprocess.run([programs / "culvertd", "invite", "near", "--state", state], check=True, capture_output=True)
    (folder / "invite").write_bytes(invite.stdout)
    watch = "tcpdump -i any -n -U --immediate-mode -B 16384 -s 160 -Z root --time-stamp-precision=nano"
    target = far if family == 4 else f"[{far}]"
    far_command = f"{watch} -w {folder}/far.pcap udp port 28460 2>{folder}/far.log & exec {programs}/culvertd --state {state}"
    near_command = (
        f"{watch} -w {folder}/near.pcap udp port 28460 2>{folder}/near.log & watch=$!; sleep 0.5; "
        f"{programs}/culvert paced {target} --invite {folder}/invite --toward {toward} --pace 20Mbit/s --payload {PAYLOAD} "
        f"--for 2s --settle 500ms --json >{folder}/record.json; status=$?; sleep 0.3; kill $watch; wait $watch; exit $status"
    )
    command = [programs / "culvert-pathlab", "run", "--config", folder / "lab.toml", "--seed", str(seed)]
    command += ["--far-listens", "28460", "--far", far_command, "--near", near_command]
    command += ["--truth", folder / "truth.json", "--packets", folder / "packets.jsonl"]
    done = subprocess.run(command, timeout=60, capture_output=True, text=True)
    if done.returncode != 0:
        sys.exit(f"error: the run failed\n{done.stderr}")
    packets = [json.loads(line) for line in (folder / "packets.jsonl").read_text().splitlines()]
    truth = json.loads((folder / "truth.json").read_text())
    return json.loads((folder / "record.json").read_text()), truth, packets


def disturbed(record, truth, ways):
    """What this machine itself lost: such a run says nothing of the path."""
    faults = sum(sum(truth["carriers"][f"toward_{way}"]["faults"].values()) for way in ("far", "near"))
    dropped = sum(one["receive_dropped"] + one["send_dropped"] for one in truth["devices"])
    return faults + dropped + sum(record[f"toward_{way}"]["host_dropped"] or 0 for way in ways)


def of_path(packets, truth, way, family):
    """What the path did to the stream: no other datagrams have its length, and they come in as they are numbered."""
    length = PAYLOAD + (28 if family == 4 else 48)
    flows = truth["paths"][0]["truth"][f"toward_{way}"]["flows"]
    udp = {place for place, one in enumerate(flows) if (one["flow"] or {}).get("protocol") == 17}
    stream = [one for one in packets if one["toward"] == way and one["length"] == length and one["flow"] in udp]
    lost = [number for number, one in enumerate(stream) if one["fate"] == "dropped"]
    lengths, close = capture.loss_runs(lost)
    gone = [(one["left"], number) for number, one in enumerate(stream) if one["fate"] == "delivered"]
    reordered, extents, degrees = capture.order([number for _, number in sorted(gone)])
    delays = [one["delay_ns"] for one in stream if one["fate"] == "delivered"]
    copies = sum(one.get("duplicated", False) for one in stream)
    return {
        "sent": len(stream),
        "received": len(gone),
        "lost": len(lost),
        "duplicates": copies,
        "replicated": copies,
        "reordered": reordered,
        "run lengths": sorted(lengths),
        "noticeable": close,
        "bursts": capture.bursts(lost),
        "extents": sorted(extents),
        "n_reordered": [sum(degree >= n for degree in degrees) for n in range(1, 9)],
        "pdv": [capture.microseconds(delay - min(delays)) for delay in delays],
        "one way": [delay / 1_000 for delay in delays],
    }


COUNTS = ("sent", "received", "lost", "duplicates", "replicated", "reordered")


def differing_counts(way, truth, witness):
    runs, order = way["loss_runs"] or {}, way["reordering"] or {}
    found = [(name, way[name], truth[name]) for name in COUNTS]
    found += [
        ("loss runs", runs.get("runs"), len(truth["run lengths"])),
        ("noticeable", runs.get("noticeable"), truth["noticeable"]),
        ("bursts", tuple(runs.get(name) for name in ("bursts", "burst_datagrams", "burst_lost")), truth["bursts"]),
        ("n-reordered", order.get("n_reordered"), truth["n_reordered"]),
    ]
    # Exact up to 2000.
    for name, shown, values in (("run lengths", runs.get("lengths"), truth["run lengths"]), ("extents", order.get("extents"), truth["extents"])):
        found.append((name, shown and [shown[key] for key in ("n", "min", "p50", "p95", "p99", "max")], of_values(values)))
    return [f"{name} {ours} by the record, {theirs} by the {witness}" for name, ours, theirs in found if ours != theirs]


def of_values(values):
    if not values:
        return None
    middle = [capture.percentile(values, share) for share in (0.5, 0.95, 0.99)]
    return [len(values), min(values), *middle, max(values)]


def differing_delays(way, seen, truth, late_us):
    """Against the capture to 2 us and a thousandth; against the path to what the machine may add."""
    found = []
    for name in ("ipdv", "pdv"):
        ours = way[f"{name}_us"]
        ours = [ours[key] for key in ("n", "min", "p50", "p95", "p99", "max")]
        theirs = of_values(seen[name])
        if any(abs(a - b) > 2 + abs(b) / 1_000 for a, b in zip(ours, theirs)) or ours[0] != theirs[0]:
            found.append(f"{name} {ours} by the record, {theirs} by the capture")
    if abs(way["interarrival_jitter_us"] - seen["jitter"]) > 1:
        found.append(f"jitter {way['interarrival_jitter_us']} by the record, {seen['jitter']} by the capture")
    for share, most in LATE_US.items():
        added = capture.percentile(seen["one way"], share) - capture.percentile(truth["one way"], share)
        if not -EARLY_US <= added <= most + late_us:
            found.append(f"{share:.0%} of the delays are {added:.0f} us off the path's, which was {late_us:.0f} us late")
    one_way = way["one_way_delay"]
    if one_way is None:
        return [*found, "no one-way delay"]
    if abs(one_way["least_us"] - min(seen["one way"])) > one_way["error_us"]:
        found.append(f"one-way delay {one_way}, {min(seen['one way'])} us by the captures of one clock")
    return found


def row(name, toward, family, way, seen, truth, wrong):
    one_way, pdv = way["one_way_delay"] or {}, way["pdv_us"]
    lengths = (way["loss_runs"] or {}).get("lengths") or {}
    extents = (way["reordering"] or {}).get("extents") or {}
    exact = f"{way['lost']}/{way['sent']}"
    truth_p95 = capture.percentile(truth["pdv"], 0.95)
    return (
        f"{name:<21}{toward:<5} IPv{family} {exact:>9} {lengths.get('n', 0):>5} {lengths.get('max', 0):>4} {way['reordered']:>5} "
        f"{extents.get('max', 0):>4} {way['duplicates']:>5} {way['interarrival_jitter_us']:>7.0f} {seen['jitter']:>7.0f} "
        f"{pdv['p95']:>6} {truth_p95:>6} {one_way.get('least_us', 0):>6} ±{one_way.get('error_us', 0):<6}{min(seen['one way']):>6.0f}  "
        f"{'equal' if not wrong else 'DIFFERS'}"
    )


HEAD = (
    "                                      lost of   loss long-   re- fur-   dupli-  jitter, us     PDV p95, us     one-way, us\n"
    "scenario             toward            sent    runs  est orderd thest cates  found capture  found  path    found        clock"
)


def examine(programs, seed, scenario):
    name, toward, family = scenario[:3]
    ways = ["far", "near"] if toward == "both" else [toward]
    for _ in range(ATTEMPTS):
        with tempfile.TemporaryDirectory(prefix="culvert-scenario-") as folder:
            folder = Path(folder)
            record, truth, packets = run(programs, folder, seed, scenario)
            if record["void"] or disturbed(record, truth, ways):
                continue
            ends = {end: capture.datagrams(folder / f"{end}.pcap", PAYLOAD) for end in ("near", "far")}
        results = []
        streams = streams_of(ends)
        for way_name in ways:
            way = record[f"toward_{way_name}"]
            seen = capture.figures(*streams[way_name])
            known = of_path(packets, truth, way_name, family)
            wrong = differing_counts(way, known, "path") + differing_counts(way, seen, "capture")
            lateness = truth["carriers"][f"toward_{way_name}"]["lateness_us"] or {"p95": 0}
            wrong += differing_delays(way, seen, known, lateness["p95"])
            results.append((row(name, way_name, family, way, seen, known, wrong), wrong))
        return results
    return [(f"{name:<21}{toward:<5} this machine lost packets of its own {ATTEMPTS} times", ["disturbed"])]


def streams_of(ends):
    """What left and what arrived of each way."""
    by_stream = {}
    for end in ("near", "far"):
        for one in ends[end]:
            by_stream.setdefault(one[1], {"near": [], "far": []})[end].append(one)
    ways = {}
    for captured in by_stream.values():
        # What leaves is captured before it arrives.
        toward_far = captured["near"][0][0] < captured["far"][0][0]
        left, arrived = ("near", "far") if toward_far else ("far", "near")
        ways["far" if toward_far else "near"] = (captured[left], captured[arrived])
    return ways


def main():
    programs = Path(sys.argv[1]).resolve()
    wanted = [int(number) for number in sys.argv[2:]] or range(1, len(SCENARIOS) + 1)
    print(HEAD)
    failed = 0
    for seed in wanted:
        for text, wrong in examine(programs, seed, SCENARIOS[seed - 1]):
            failed += bool(wrong)
            print(text, flush=True)
            for sentence in wrong:
                print(f"  {sentence}", flush=True)
    print(f"{len(list(wanted))} scenarios, {failed} differ from the truth")
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    os.umask(0o077)
    main()
