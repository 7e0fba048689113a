# shellcheck shell=sh disable=SC1091,SC2034,SC2154 # init sets the names, and others use those set here
# An end of IPsec: IKEv2 by strongSwan, ESP (IP protocol 50) by the guest's kernel. $esp is tunnel, or transport for L2TP's
# datagrams alone; $cipher is gcm (AES-GCM-16) or cbc (AES-CBC with HMAC-SHA2-256-128); the keys are of 256 bits.

modules cryptomgr crypto_null sha512_generic hmac drbg ansi_cprng esp4 xfrm_user xfrm4_tunnel tunnel4 \
  gcm ctr ghash-generic seqiv echainiv authenc cbc

case $cipher in
  gcm) proposal=aes256gcm16 ;;
  cbc) proposal=aes256-sha256 ;;
esac
case $esp in
  tunnel) own_selector=$here peer_selector=$there ;;
  transport) own_selector="dynamic[udp/1701]" peer_selector="dynamic[udp/1701]" ;;
esac
case $side in
  cabin) peer_side=gateway ;;
  gateway) peer_side=cabin ;;
esac

# The other guest may still be booting: ask again soon.
cat >/run/charon.conf <<END
charon {
  load_modular = no
  load = random nonce openssl aes sha1 sha2 hmac gcm kdf curve25519 pem kernel-netlink socket-default vici updown
  retransmit_timeout = 0.5
  retransmit_base = 1
  retransmit_tries = 40
  filelog {
    console {
      path = /dev/console
      default = 0
    }
  }
  plugins {
    vici {
      socket = unix:///run/charon.vici
    }
  }
}
END
(umask 077 && cat >/run/swanctl.conf <<END
connections {
  lab {
    version = 2
    mobike = no
    local_addrs = $address
    remote_addrs = $peer
    proposals = aes256-sha256-x25519
    local {
      auth = psk
      id = $side
    }
    remote {
      auth = psk
      id = $peer_side
    }
    children {
      lab {
        mode = $esp
        local_ts = $own_selector
        remote_ts = $peer_selector
        esp_proposals = $proposal
      }
    }
  }
}
secrets {
  ike {
    id-1 = cabin
    id-2 = gateway
    secret = $secret
  }
}
END
)
STRONGSWAN_CONF=/run/charon.conf /usr/lib/ipsec/charon >/run/charon.out 2>&1 &
wait_for 10 test -S /run/charon.vici
# It says what it misses, of which it needs nothing.
swanctl --load-all --uri unix:///run/charon.vici --file /run/swanctl.conf --noprompt >/run/swanctl.out 2>&1
# The other end refuses until it has been told of the connection.
if [ "$side" = cabin ]; then
  wait_for 20 swanctl --initiate --child lab --uri unix:///run/charon.vici
fi
