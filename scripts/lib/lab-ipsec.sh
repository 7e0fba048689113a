# shellcheck shell=bash disable=SC2034,SC2154 # facts are for lab-tunnels.sh, and what differs is set before
# IPsec from the cabin to the gateway, for tunnels/ipsec-udp-*.sh: IKEv2 and ESP in UDP by strongSwan, both in user space,
# since not every kernel has ESP. They set ipsec_proposal.

# What strongSwan gives its interface.
TUNNEL_MTU=1400
# ESP alone: IKE's messages begin with four zero bytes (RFC 3948 section 2.2), keep-alives have one byte (2.3).
TUNNEL_FILTER='udp port 4500 and udp[4:2] > 12 and udp[8:4] != 0'
TUNNEL_NEEDS='/usr/lib/ipsec/charon /usr/lib/ipsec/plugins/libstrongswan-kernel-libipsec.so swanctl openssl /dev/net/tun'

tunnel_up() {
  local role
  ipsec_secret=$(openssl rand -hex 32) || return
  for role in gateway cabin; do
    ipsec_configure "$role" >"$TUNNEL_STATE/$role.conf" && "ipsec_connection_$role" >"$TUNNEL_STATE/$role.swanctl" || return
    # Its process number has one place in /run, and the two must not share it: a /run of its own. The namespace's mounts
    # are this command's alone.
    tunnel_start "$role" env STRONGSWAN_CONF="$TUNNEL_STATE/$role.conf" \
      sh -c 'mount -t tmpfs none /run && exec /usr/lib/ipsec/charon' || return
  done
  wait_for 5 ipsec_listens && ipsec_swanctl gateway --load-all --noprompt --file "$TUNNEL_STATE/gateway.swanctl" &&
    ipsec_swanctl cabin --load-all --noprompt --file "$TUNNEL_STATE/cabin.swanctl" &&
    ipsec_swanctl cabin --initiate --child workshop --timeout 10
}

tunnel_is_up() {
  ip -n "$LAB_CABIN" link show ipsec0 >/dev/null 2>&1
}

ipsec_listens() {
  [[ -S $TUNNEL_STATE/gateway.vici && -S $TUNNEL_STATE/cabin.vici ]]
}

ipsec_swanctl() {
  local role=$1
  shift
  STRONGSWAN_CONF=$TUNNEL_STATE/$role.conf swanctl "$@" --uri "unix://$TUNNEL_STATE/$role.vici" >>"$LAB_STATE/tunnel-$TUNNEL_KEY.log" 2>&1
}

ipsec_configure() {
  cat <<END
charon {
  load_modular = no
  load = random nonce openssl aes sha1 sha2 hmac gcm kdf curve25519 chapoly kernel-libipsec kernel-netlink socket-default vici updown
  install_virtual_ip = yes
  keep_alive = 0
  filelog {
    stdout {
      default = 1
      flush_line = yes
    }
  }
  plugins {
    vici {
      socket = unix://$TUNNEL_STATE/$1.vici
    }
    kernel-libipsec {
      allow_peer_ts = no
    }
  }
}
END
}

ipsec_connection_gateway() {
  cat <<END
connections {
  cabin {
    version = 2
    local_addrs = $LAB_GATEWAY_ADDRESS
    pools = cabins
    $(ipsec_ends gateway cabin)
    children {
      workshop {
        local_ts = 192.168.77.0/24
        esp_proposals = $ipsec_proposal
      }
    }
  }
}
pools {
  cabins {
    addrs = 10.99.3.0/24
  }
}
$(ipsec_secrets)
END
}

ipsec_connection_cabin() {
  cat <<END
connections {
  gateway {
    version = 2
    remote_addrs = $LAB_GATEWAY_ADDRESS
    vips = 0.0.0.0
    $(ipsec_ends cabin gateway)
    children {
      workshop {
        remote_ts = 192.168.77.0/24
        esp_proposals = $ipsec_proposal
      }
    }
  }
}
$(ipsec_secrets)
END
}

# ipsec_ends OWN PEER
ipsec_ends() {
  cat <<END
mobike = no
    proposals = aes256-sha256-x25519
    local {
      auth = psk
      id = $1
    }
    remote {
      auth = psk
      id = $2
    }
END
}

ipsec_secrets() {
  cat <<END
secrets {
  ike-1 {
    id-1 = gateway
    id-2 = cabin
    secret = $ipsec_secret
  }
}
END
}
