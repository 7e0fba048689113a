#!/usr/bin/env python3
"""Builds tunnel packets with scapy and prints how long they are.

One line a stack of headers: the encapsulation's key, the IP versions outside and inside, the first inner length, then
the outer length for it and for each longer inner packet up to the MTU given as argument. Nothing here knows the size
of a header: scapy lays headers out and its `cryptography` encrypts. MPPE's ciphertext is stood for by its plaintext,
since RC4 adds no byte to it (RFC 3078 section 3.1).
"""

import functools
import logging
import multiprocessing
import sys

# scapy looks for the host's network when it starts; nothing is sent here, and the host may have none.
logging.getLogger("scapy").setLevel(logging.ERROR)

from scapy.contrib.geneve import GENEVE, GeneveOptions  # noqa: E402
from scapy.layers.inet import IP, UDP  # noqa: E402
from scapy.layers.inet6 import IPv6  # noqa: E402
from scapy.layers.ipsec import ESP, SecurityAssociation  # noqa: E402
from scapy.layers.l2 import GRE, GRE_PPTP, Ether  # noqa: E402
from scapy.layers.l2tp import L2TP  # noqa: E402
from scapy.layers.ppp import HDLC, PPP  # noqa: E402
from scapy.layers.vxlan import VXLAN  # noqa: E402
from scapy.packet import Raw  # noqa: E402

CIPHERS = {
    "gcm": {"crypt_algo": "AES-GCM", "crypt_key": bytes(20)},
    "chacha20": {"crypt_algo": "CHACHA20-POLY1305", "crypt_key": bytes(36)},
    "cbc-sha1": {
        "crypt_algo": "AES-CBC", "crypt_key": bytes(16), "auth_algo": "HMAC-SHA1-96", "auth_key": bytes(20),
    },
    "cbc-sha256": {
        "crypt_algo": "AES-CBC", "crypt_key": bytes(16), "auth_algo": "SHA2-256-128", "auth_key": bytes(32),
    },
}
ENDS = {4: {"src": "192.0.2.1", "dst": "198.51.100.1"}, 6: {"src": "2001:db8::1", "dst": "2001:db8::2"}}
L2TP_FLAGS = {"l2tp": 0, "l2tp-length": "length", "l2tp-length-sequence": "length+sequence"}

IN_EVERY_VERSION = {
    "esp-gcm", "esp-cbc-sha256-udp", "esp-transport-gcm", "l2tp", "l2tp-esp-gcm", "gre", "6in4", "pptp-mppe", "vxlan", "geneve",
}


def main():
    jobs = [(stack, int(sys.argv[1])) for stack in range(len(STACKS))]
    with multiprocessing.Pool() as pool:
        for line in pool.imap_unordered(measure, jobs):
            print(line, flush=True)


def measure(job):
    (key, outer, inside, build), longest = STACKS[job[0]], job[1]
    first = 28 if inside == 4 else 48
    lengths = (length_of(build(carried(inside, inner))) for inner in range(first, longest + 1))
    return " ".join(str(word) for word in (key, outer, inside, first, *lengths))


def length_of(packet):
    """The packet's length; its own header has to say the same."""
    data = bytes(packet)
    version = data[0] >> 4
    told = int.from_bytes(data[2:4], "big") if version == 4 else 40 + int.from_bytes(data[4:6], "big")
    assert told == len(data), f"{len(data)} bytes, and the header says {told}"
    return len(data)


@functools.cache
def carried(version, length):
    """A packet of `length` bytes, IP header included; what it carries is experimental, so scapy looks no further."""
    header = IP(**ENDS[4], proto=253) if version == 4 else IPv6(**ENDS[6], nh=253)
    # Read back from bytes it keeps them, and is not put together anew in each stack.
    return type(header)(bytes(header / Raw(bytes(length - len(header)))))


def ip(version):
    return IP(**ENDS[4]) if version == 4 else IPv6(**ENDS[6])


@functools.cache
def association(cipher, outer, tunnel, udp):
    return SecurityAssociation(
        ESP,
        spi=0x100,
        tunnel_header=ip(outer) if tunnel else None,
        nat_t_header=UDP(sport=4500, dport=4500) if udp else None,
        **CIPHERS[cipher],
    )


def stacks():
    """Key, outer and inner IP version, and what puts an inner packet into it."""
    for cipher in CIPHERS:
        for outer in (4, 6):
            for udp in (False, True):
                yield from in_esp(cipher, outer, udp, cipher + ("-udp" if udp else ""))
    for outer in (4, 6):
        for inside in (4, 6):
            for key in L2TP_FLAGS:
                yield key, outer, inside, functools.partial(l2tp, outer, key)
            yield from in_gre(outer, inside)
            yield from in_ethernet(outer, inside)
    yield "ipip", 4, 4, lambda packet: ip(4) / packet
    yield "6in4", 4, 6, lambda packet: ip(4) / packet
    yield from in_pptp()


def in_esp(cipher, outer, udp, suffix):
    tunnel, transport = association(cipher, outer, True, udp), association(cipher, outer, False, udp)
    for inside in (4, 6):
        yield "esp-" + suffix, outer, inside, tunnel.encrypt
    yield "esp-transport-" + suffix, outer, outer, transport.encrypt
    # The other ciphers do the same to what L2TP makes.
    key = {"gcm": "l2tp", "gcm-udp": "l2tp-length", "cbc-sha256": "l2tp", "cbc-sha1-udp": "l2tp-length"}.get(suffix)
    if key:
        yield f"{key}-esp-{suffix}", outer, 4, lambda packet: transport.encrypt(l2tp(outer, key, packet))


def l2tp(outer, key, packet):
    ppp = HDLC(address=0xFF, control=3) / PPP(proto=0x0021 if packet.version == 4 else 0x0057)
    return ip(outer) / UDP(sport=1701, dport=1701) / L2TP(hdr=L2TP_FLAGS[key]) / ppp / packet


def in_gre(outer, inside):
    for key, present in (
        ("gre", {}),
        ("gre-key", {"key_present": 1}),
        ("gre-key-sequence", {"key_present": 1, "seqnum_present": 1}),
        ("gre-checksum-key-sequence", {"chksum_present": 1, "key_present": 1, "seqnum_present": 1}),
    ):
        yield key, outer, inside, lambda packet, present=present: ip(outer) / GRE(**present) / packet


def in_ethernet(outer, inside):
    def frame(packet):
        return Ether(src="02:00:00:00:00:01", dst="02:00:00:00:00:02") / packet

    yield "vxlan", outer, inside, lambda packet: ip(outer) / UDP(dport=4789) / VXLAN(vni=1) / frame(packet)
    for key, options in (("geneve", []), ("geneve:12", [GeneveOptions(data=bytes(8))])):
        yield key, outer, inside, lambda packet, options=options: (
            ip(outer) / UDP(dport=6081) / GENEVE(proto=0x6558, vni=1, options=options) / frame(packet)
        )


def in_pptp():
    for end, acknowledged in (("", 0), ("-ack", 1)):
        for key, address, outer_short, inner_short in (
            ("pptp-mppe", True, False, False),
            ("pptp-mppe-pfc", True, True, False),
            ("pptp-mppe-acfc-pfc", False, True, False),
            ("pptp-mppe-compressed", False, True, True),
        ):
            for inside in (4, 6):
                build = functools.partial(pptp, acknowledged, address, outer_short, inner_short)
                yield key + end, 4, inside, build


def pptp(acknowledged, address, outer_short, inner_short, packet):
    gre = GRE_PPTP(call_id=1, seqnum_present=1, sequence_number=1, acknum_present=acknowledged)
    ppp = HDLC(address=0xFF, control=3) if address else None
    # One byte of a protocol field is left out where PFC was agreed on (RFC 1661 section 6.5).
    protocol = bytes(PPP(proto=0x00FD))[1 if outer_short else 0:]
    count = (0x9001).to_bytes(2, "big")
    inner_protocol = bytes(PPP(proto=0x0021 if packet.version == 4 else 0x0057))[1 if inner_short else 0:]
    data = Raw((bytes(ppp) if ppp else b"") + protocol + count + inner_protocol + bytes(packet))
    return ip(4) / gre / data


def chosen():
    """All with IPv4 alone, and one of each kind with the other IP version outside or inside."""
    for key, outer, inside, build in stacks():
        if (outer, inside) == (4, 4) or key in IN_EVERY_VERSION:
            yield key, outer, inside, build


STACKS = list(chosen())

if __name__ == "__main__":
    main()
