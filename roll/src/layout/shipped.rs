//! Layouts that come with the program, of rolls whose columns are published.

use super::Layout;
use std::sync::OnceLock;

/// A layout that comes with the program.
#[derive(Debug, Clone)]
pub struct Shipped {
    /// As read.
    pub layout: Layout,
    /// Its text.
    pub toml: &'static str,
}

/// Their texts, by id.
const TEXTS: &[(&str, &str)] = &[
    ("us-co-031-denver", include_str!("published/us_co_031_denver.toml")),
    ("us-dc-001-washington", include_str!("published/us_dc_001_washington.toml")),
    ("us-fl-086-miami-dade", include_str!("published/us_fl_086_miami_dade.toml")),
    ("us-fl-105-polk", include_str!("published/us_fl_105_polk.toml")),
    ("us-fl-dor-nal", include_str!("published/us_fl_dor_nal.toml")),
    ("us-il-031-cook", include_str!("published/us_il_031_cook.toml")),
    ("us-ny-new-york-city-pluto", include_str!("published/us_ny_new_york_city_pluto.toml")),
    ("us-pa-003-allegheny", include_str!("published/us_pa_003_allegheny.toml")),
    ("us-pa-101-philadelphia", include_str!("published/us_pa_101_philadelphia.toml")),
    ("us-tx-201-harris", include_str!("published/us_tx_201_harris.toml")),
    ("us-wa-033-king", include_str!("published/us_wa_033_king.toml")),
];

/// The layouts that come with the program, by id.
///
/// Each names the document that its columns were read in; a test reads a file of each.
pub fn shipped() -> &'static [Shipped] {
    static SHIPPED: OnceLock<Vec<Shipped>> = OnceLock::new();
    SHIPPED.get_or_init(|| {
        // a test holds every text against its id: none is left out
        let read = |(_, toml): &(&'static str, &'static str)| {
            Layout::from_toml(toml).ok().map(|layout| Shipped { layout, toml })
        };
        TEXTS.iter().filter_map(read).collect()
    })
}

impl Layout {
    /// The layout of that id that comes with the program.
    #[must_use]
    pub fn shipped(id: &str) -> Option<&'static Layout> {
        shipped().iter().map(|shipped| &shipped.layout).find(|layout| layout.id == id)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_layout_reads_and_bears_the_name_of_its_file() {
        for (id, toml) in TEXTS {
            let layout = Layout::from_toml(toml).unwrap_or_else(|error| panic!("{id}: {error}"));
            assert_eq!(&layout.id, id);
            for text in [&layout.title, &layout.publisher, &layout.citation] {
                assert!(!text.is_empty(), "{id} does not say what it is, whose, and where that was read");
            }
            assert!(
                layout.basis_published().is_some() || !layout.assumed.is_empty(),
                "{id}: what is assumed?"
            );
        }
        assert!(!TEXTS.is_empty());
        assert_eq!(shipped().len(), TEXTS.len());
        assert!(TEXTS.is_sorted_by_key(|(id, _)| id));
    }
}
