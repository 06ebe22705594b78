//! Which addresses may be connected to: those that the whole internet reaches. After the registries of special-purpose
//! addresses that IANA keeps (IPv4: RFC 6890 and later, IPv6: the same and RFC 9637), and its registry of IPv6 unicast
//! addresses, by which what is not in 2000::/3 is not global.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr};

/// Special-purpose blocks of IPv4: first address and length of the prefix.
const SPECIAL_V4: [(Ipv4Addr, u32); 16] = [
    (Ipv4Addr::new(0, 0, 0, 0), 8),
    (Ipv4Addr::new(10, 0, 0, 0), 8),
    (Ipv4Addr::new(100, 64, 0, 0), 10),
    (Ipv4Addr::new(127, 0, 0, 0), 8),
    (Ipv4Addr::new(169, 254, 0, 0), 16),
    (Ipv4Addr::new(172, 16, 0, 0), 12),
    (Ipv4Addr::new(192, 0, 0, 0), 24),
    (Ipv4Addr::new(192, 0, 2, 0), 24),
    (Ipv4Addr::new(192, 88, 99, 0), 24),
    (Ipv4Addr::new(192, 168, 0, 0), 16),
    (Ipv4Addr::new(198, 18, 0, 0), 15),
    (Ipv4Addr::new(198, 51, 100, 0), 24),
    (Ipv4Addr::new(203, 0, 113, 0), 24),
    (Ipv4Addr::new(224, 0, 0, 0), 4),
    (Ipv4Addr::new(240, 0, 0, 0), 4),
    (Ipv4Addr::new(255, 255, 255, 255), 32),
];

/// Special-purpose blocks within 2000::/3: protocol assignments with Teredo and ORCHID, documentation (two), 6to4.
const SPECIAL_V6: [(Ipv6Addr, u32); 4] = [
    (Ipv6Addr::new(0x2001, 0, 0, 0, 0, 0, 0, 0), 23),
    (Ipv6Addr::new(0x2001, 0xdb8, 0, 0, 0, 0, 0, 0), 32),
    (Ipv6Addr::new(0x3fff, 0, 0, 0, 0, 0, 0, 0), 20),
    (Ipv6Addr::new(0x2002, 0, 0, 0, 0, 0, 0, 0), 16),
];

/// Whether an address is one that the whole internet reaches.
pub(crate) fn is_public(address: IpAddr) -> bool {
    match address {
        IpAddr::V4(v4) => is_public_v4(v4),
        IpAddr::V6(v6) => match within(v6) {
            Some(v4) => is_public_v4(v4),
            None => {
                same_prefix_v6(v6, Ipv6Addr::new(0x2000, 0, 0, 0, 0, 0, 0, 0), 3)
                    && !SPECIAL_V6.iter().any(|(block, length)| same_prefix_v6(v6, *block, *length))
            }
        },
    }
}

fn is_public_v4(address: Ipv4Addr) -> bool {
    let same =
        |(block, length): &(Ipv4Addr, u32)| (address.to_bits() ^ block.to_bits()).leading_zeros() >= *length;
    !SPECIAL_V4.iter().any(same)
}

fn same_prefix_v6(address: Ipv6Addr, block: Ipv6Addr, length: u32) -> bool {
    (address.to_bits() ^ block.to_bits()).leading_zeros() >= length
}

/// The IPv4 address that is reached through an IPv6 one: mapped (RFC 4291), or translated (RFC 6052).
fn within(address: Ipv6Addr) -> Option<Ipv4Addr> {
    let translated = Ipv6Addr::new(0x64, 0xff9b, 0, 0, 0, 0, 0, 0);
    if let Some(mapped) = address.to_ipv4_mapped() {
        return Some(mapped);
    }
    same_prefix_v6(address, translated, 96).then(|| {
        let [.., a, b, c, d] = address.octets();
        Ipv4Addr::new(a, b, c, d)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(addresses: &[&str], public: bool) {
        for text in addresses {
            assert_eq!(is_public(text.parse().unwrap()), public, "{text}");
        }
    }

    /// IANA's registries of special-purpose addresses; confirmed with `ipaddress` of Python's library, whose
    /// `is_global` follows the same registries.
    #[test]
    fn special_purpose_addresses_are_not_public_and_others_are() {
        check(
            &[
                "127.0.0.1",
                "10.1.2.3",
                "172.31.0.9",
                "192.168.1.1",
                "169.254.169.254",
                "100.64.0.1",
                "0.0.0.0",
                "224.0.0.1",
                "::1",
                "fc00::1",
                "fe80::1",
                "::ffff:10.0.0.1",
            ],
            false,
        );
        check(&["203.0.114.9", "2600::1"], true);
    }

    /// The first and last address of blocks, and their neighbours.
    #[test]
    fn blocks_end_where_the_registry_says() {
        check(
            &["9.255.255.255", "11.0.0.0", "100.63.255.255", "100.128.0.0", "172.15.255.255", "172.32.0.0"],
            true,
        );
        check(&["10.255.255.255", "100.127.255.255", "172.16.0.0", "198.19.255.255", "192.0.0.255"], false);
        check(&["198.17.255.255", "198.20.0.0", "223.255.255.255", "192.0.1.0"], true);
        check(&["240.0.0.1", "255.255.255.255", "239.255.255.255", "203.0.113.255", "192.88.99.1"], false);
    }

    #[test]
    fn an_address_within_another_one_is_judged_by_what_it_reaches() {
        check(&["::ffff:127.0.0.1", "64:ff9b::7f00:1", "64:ff9b::a00:1", "64:ff9b:1::1"], false);
        check(&["::ffff:8.8.8.8", "64:ff9b::808:808"], true);
        // 6to4, Teredo, IPv4-compatible, discard, documentation, unassigned, site-local, multicast
        check(
            &[
                "2002:7f00:1::",
                "2001::1",
                "::7f00:1",
                "100::1",
                "2001:db8::1",
                "3fff::1",
                "4000::1",
                "fec0::1",
                "ff02::1",
            ],
            false,
        );
        check(&["2001:200::1", "2a00:1450::1"], true);
    }
}
