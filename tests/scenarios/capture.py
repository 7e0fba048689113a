"""Reads packet captures and computes a paced stream's figures again, from the RFCs and nothing of the programs' own.

A capture is what tcpdump wrote with nanosecond stamps on any interface (link type LINUX_SLL2). The header of a datagram,
big-endian: kind u8 (1 is data), stream u8, length u16, session u32, sequence u64, sent_ns u64, tag u64.
"""

import struct
from bisect import bisect_right

NANOSECOND_MAGIC = 0xA1B23C4D
LINUX_SLL2 = 276
DATA = 1


def datagrams(path, payload):
    """(stamp_ns, stream, sequence, sent_ns) of each data datagram with so many bytes of payload, as captured."""
    with open(path, "rb") as file:
        content = file.read()
    magic, link = struct.unpack("<I16xI", content[:24])
    assert magic == NANOSECOND_MAGIC and link == LINUX_SLL2, (hex(magic), link)
    found, at = [], 24
    while at + 16 <= len(content):
        seconds, nanoseconds, kept, _ = struct.unpack("<4I", content[at : at + 16])
        packet = content[at + 16 : at + 16 + kept]
        at += 16 + kept
        datagram = udp_payload(packet[20:])
        if datagram is None:
            continue
        kind, stream, length, _, sequence, sent_ns = struct.unpack("!BBHIQQ", datagram[:24])
        if kind == DATA and length == payload:
            found.append((seconds * 1_000_000_000 + nanoseconds, stream, sequence, sent_ns))
    return found


def udp_payload(packet):
    """What a UDP datagram in an IP packet without extension headers carries, as far as it was kept."""
    if packet[0] >> 4 == 4:
        header, protocol = (packet[0] & 15) * 4, packet[9]
    else:
        header, protocol = 40, packet[6]
    payload = packet[header + 8 :]
    return payload if protocol == 17 and len(payload) >= 32 else None


def percentile(values, share):
    """RFC 2330 11.3: the smallest value that at least this share of all does not exceed."""
    ordered = sorted(values)
    for place, value in enumerate(ordered, 1):
        if place >= share * len(ordered) - 1e-9:
            return value
    return None


def microseconds(nanoseconds):
    """Rounded to the nearest, halves up."""
    return (nanoseconds + 500) // 1_000


def loss_runs(lost):
    """RFC 3357 for the sorted numbers of what was lost: lengths of loss periods, and losses that follow within 16."""
    lengths, close, last = [], 0, None
    for number in lost:
        if last is not None and number == last + 1:
            lengths[-1] += 1
        else:
            lengths.append(1)
        close += last is not None and number - last <= 16
        last = number
    return lengths, close


def bursts(lost):
    """RFC 3611 4.7.2 with Gmin 16: (bursts, packets in them, losses in them)."""
    clusters = []
    for number in lost:
        if clusters and number - clusters[-1][-1] <= 16:
            clusters[-1].append(number)
        else:
            clusters.append([number])
    found = [cluster for cluster in clusters if len(cluster) > 1]
    return len(found), sum(c[-1] - c[0] + 1 for c in found), sum(len(c) for c in found)


def order(arrivals):
    """RFC 4737 for first copies as they arrived: (reordered, extents of 4.2, n of 5.3)."""
    extents, degrees, tops = [], [], []
    for place, number in enumerate(arrivals):
        earliest = bisect_right(tops, number)
        if earliest < place:
            extents.append(place - earliest)
            before = place
            while before > 0 and arrivals[before - 1] > number:
                before -= 1
            degrees.append(place - before)
        tops.append(max(number, tops[-1]) if tops else number)
    return len(extents), extents, degrees


def figures(sent, received):
    """Everything that follows from the datagrams of one stream, captured where they left and where they arrived."""
    left = {}
    for stamp, _, number, _ in sent:
        left.setdefault(number, stamp)
    copies, first = {}, []
    for stamp, _, number, sent_ns in received:
        copies[number] = copies.get(number, 0) + 1
        if copies[number] == 1:
            first.append((stamp, number, sent_ns))
    lost = [number for number in range(len(left)) if number not in copies]
    lengths, close = loss_runs(lost)
    reordered, extents, degrees = order([number for _, number, _ in first])
    delays = {number: stamp - sent_ns for stamp, number, sent_ns in first}
    least = min(delays.values())
    jitter, previous = 0.0, None
    for _, number, _ in first:
        if previous is not None:
            jitter += (abs(delays[number] - previous) - jitter) / 16
        previous = delays[number]
    return {
        "sent": len(left),
        "received": len(first),
        "lost": len(lost),
        "duplicates": len(received) - len(first),
        "replicated": sum(count > 1 for count in copies.values()),
        "reordered": reordered,
        "run lengths": sorted(lengths),
        "noticeable": close,
        "bursts": bursts(lost),
        "extents": sorted(extents),
        "n_reordered": [sum(degree >= n for degree in degrees) for n in range(1, 9)],
        "jitter": jitter / 1_000,
        "ipdv": [microseconds(delays[n] - delays[n - 1]) for n in delays if n - 1 in delays],
        "pdv": [microseconds(delay - least) for delay in delays.values()],
        "one way": [(stamp - left[number]) / 1_000 for stamp, number, _ in first],
    }
