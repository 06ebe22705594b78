//! One record of the invented roll, and the line that it makes.

use std::io::Write;

use crate::chance::Chance;

/// The header of the roll: 44 columns.
pub(crate) const HEADER: &str = "roll_year,parcel_number,account_number,situs_number,situs_predir,situs_street,\
situs_suffix,situs_unit,situs_city,situs_zip,legal_description,property_class,tax_district,neighborhood,subdivision,\
land_value,improvement_value,total_value,taxable_value,exempt_code,year_built,effective_year,living_area,upper_area,\
basement_area,basement_finished_area,garage_area,porch_area,stories,bedrooms,full_baths,half_baths,quality,condition,\
exterior_wall,roof_cover,heating,ext1_code,ext1_area,ext2_code,ext2_area,lot_acres,last_sale_on,last_sale_price";

/// Lots on one street before the next begins.
const LOTS: u64 = 40;
/// Rows of the same street, so that no two records share an address.
const DIRECTIONS: [&str; 5] = ["", "N", "S", "E", "W"];
const SUFFIXES: [&str; 8] = ["ST", "AVE", "RD", "LN", "DR", "CT", "PL", "WAY"];
const NAMES: [&str; 50] = [
    "ALDER", "AMETHYST", "ANVIL", "APRICOT", "ASTER", "BADGER", "BASALT", "BERYL", "BOBOLINK", "BRAMBLE",
    "CALCITE", "CANDLE", "CLOVER", "COBALT", "CURLEW", "DAMSON", "DOGWOOD", "ELDER", "EPIDOTE", "FALCON",
    "FELDSPAR", "GARNET", "GYPSUM", "HALITE", "HAZEL", "HERON", "INDIGO", "JASPER", "JUNIPER", "KESTREL",
    "LANTERN", "LARCH", "LUPINE", "MALLARD", "MICA", "MULBERRY", "OLIVINE", "OTTER", "PYRITE", "QUARTZ",
    "QUINCE", "ROWAN", "SAFFRON", "SEDGE", "SPARROW", "TAMARACK", "THISTLE", "TOPAZ", "UMBER", "ZIRCON",
];
const CITIES: [&str; 12] = [
    "MICA FALLS",
    "UPPER FELDSPAR",
    "QUILLFORD",
    "TANNERSBECK",
    "OXLEY",
    "DUNMARROW",
    "PELLAM",
    "HARROWGATE",
    "STILLWELL",
    "CORVANE",
    "LITTLE AMBER",
    "NORBURY",
];

/// A record as the roll has it: the mapped columns with their values, the others drawn when the line is written.
#[derive(Debug, Clone)]
pub(crate) struct Record {
    /// The ten digits of the parcel number.
    pub(crate) key: u64,
    pub(crate) situs: Situs,
    pub(crate) class: &'static str,
    district: u64,
    neighborhood: u64,
    pub(crate) land: u64,
    pub(crate) improvement: u64,
    year_built: Option<u64>,
    pub(crate) living: u64,
    upper: Option<u64>,
    basement: Option<u64>,
    basement_finished: Option<u64>,
    garage: Option<u64>,
    porch: Option<u64>,
    pub(crate) extension: Option<(&'static str, u64)>,
    /// Draws the columns that are not mapped; changing it changes those alone.
    pub(crate) unmapped: Chance,
}

/// Where the property lies.
#[derive(Debug, Clone)]
pub(crate) struct Situs {
    pub(crate) number: u64,
    pub(crate) direction: &'static str,
    pub(crate) street: &'static str,
    pub(crate) suffix: &'static str,
    pub(crate) unit: Option<u64>,
    pub(crate) city: &'static str,
    zip: u64,
}

/// What is wrong with a line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Fault {
    None,
    TooFewColumns,
    TooManyColumns,
    BlankArea,
    SpacesForArea,
    ZeroArea,
    /// Text in the whole-number column of that place among the eleven mapped ones.
    Text(u64),
}

impl Record {
    /// The record of row `index`. Rows `fresh` are those of a later edition: they stand on the even house numbers.
    pub(crate) fn draw(seed: u64, index: u64, key: u64, fresh: bool) -> Record {
        let mut chance = Chance::of_row(seed, if fresh { 2 } else { 1 }, index);
        let living = chance.between(620, 2_400) + chance.below(3) * chance.below(900);
        let two_storeys = chance.in_100_000(40_000);
        let basement = chance.in_100_000(55_000).then(|| living * 3 / 5 + chance.below(300));
        let finished = basement.filter(|_| chance.in_100_000(50_000)).map(|area| area / 2);
        let land = chance.between(180, 2_400) * 100;
        Record {
            key,
            situs: Situs::of_row(index, fresh, &mut chance),
            class: chance.one_of(&["110", "110", "110", "111", "112", "115", "210"]),
            district: chance.between(1, 48),
            neighborhood: chance.between(100, 999),
            land,
            improvement: living * chance.between(70, 210) / 100 * 100,
            year_built: (!chance.in_100_000(1_000)).then(|| chance.between(1_890, 2_025)),
            living,
            upper: two_storeys.then(|| living * 2 / 5 + chance.below(80)),
            basement,
            basement_finished: finished,
            garage: chance.in_100_000(70_000).then(|| chance.between(220, 900)),
            porch: chance.in_100_000(45_000).then(|| chance.between(24, 400)),
            extension: chance.in_100_000(30_000).then(|| {
                let code = chance.one_of(&["DK", "SP", "GH", "PL", "SH", "CP"]);
                (code, chance.between(40, 700))
            }),
            unmapped: Chance::of_row(seed, if fresh { 4 } else { 3 }, index),
        }
    }

    /// The recorded total value.
    pub(crate) fn total(&self) -> u64 {
        self.land + self.improvement
    }

    /// Writes the line, its line end included.
    pub(crate) fn write(&self, fault: Fault, out: &mut Vec<u8>) -> std::io::Result<()> {
        let Record { key, situs, land, improvement, .. } = self;
        let mut chance = self.unmapped.clone();
        let texts = ["SEE CARD", "N/A", "PENDING", "12O0", "TBD", "?"];
        let text = chance.one_of(&texts);
        let whole = |place: u64, value: Option<u64>| match (fault, value) {
            (Fault::Text(at), _) if at == place => text.to_owned(),
            (_, Some(value)) => value.to_string(),
            (_, None) => String::new(),
        };
        write!(out, "2026,{},R{key:010},{},{},", Hyphens(*key), situs.number, situs.direction)?;
        write!(out, "{},{},{},{},", situs.street, situs.suffix, Unit(situs.unit), situs.city)?;
        write!(out, "{:05},", situs.zip)?;
        write_legal(&mut chance, out)?;
        let subdivision = chance.one_of(&["OLD TOWN", "NORTH ADDITION", "MILL TRACT", "", "GARDEN HOMES"]);
        write!(out, ",{},TD{:02},NB-{},{subdivision},", self.class, self.district, self.neighborhood)?;
        write!(
            out,
            "{},{},{},",
            whole(0, Some(*land)),
            whole(1, Some(*improvement)),
            whole(2, Some(self.total()))
        )?;
        let exempt = if chance.in_100_000(30_000) { "HS" } else { "" };
        write!(out, "{},{exempt},", self.total() * 45 / 100)?;
        write!(out, "{},{},", whole(3, self.year_built), self.year_built.unwrap_or(1_950) + chance.below(3))?;
        match fault {
            Fault::BlankArea => {}
            Fault::SpacesForArea => out.extend_from_slice(b"   "),
            Fault::ZeroArea => out.push(b'0'),
            Fault::None | Fault::TooFewColumns | Fault::TooManyColumns | Fault::Text(_) => {
                out.extend_from_slice(whole(4, Some(self.living)).as_bytes());
            }
        }
        write!(out, ",{},{},", whole(5, self.upper), whole(6, self.basement))?;
        write!(
            out,
            "{},{},{},",
            whole(7, self.basement_finished),
            whole(8, self.garage),
            whole(9, self.porch)
        )?;
        let stories = if self.upper.is_some() { "2" } else { chance.one_of(&["1"]) };
        write!(out, "{stories},{},{},{},", chance.between(1, 6), chance.between(1, 4), chance.below(2))?;
        write!(out, "{},{},", chance.one_of(&["A", "B", "C", "D"]), chance.one_of(&["GOOD", "AVG", "FAIR"]))?;
        write!(out, "{},", chance.one_of(&["BRICK", "VINYL SIDING", "STUCCO", "WOOD SHINGLE"]))?;
        write!(
            out,
            "{},{},",
            chance.one_of(&["ASPHALT", "METAL", "SLATE"]),
            chance.one_of(&["FWA", "HW", "HP"])
        )?;
        write!(out, "{},", self.extension.map_or("", |(code, _)| code))?;
        write!(out, "{},", whole(10, self.extension.map(|(_, area)| area)))?;
        if chance.in_100_000(12_000) {
            write!(out, "SH,{},", chance.between(40, 300))?;
        } else {
            out.extend_from_slice(b",,");
        }
        write!(out, "{}.{:02}", chance.below(4), chance.below(100))?;
        if fault != Fault::TooFewColumns {
            let (year, month, day) =
                (chance.between(1_985, 2_025), chance.between(1, 12), chance.between(1, 28));
            write!(out, ",{year}-{month:02}-{day:02},{}", chance.between(300, 8_900) * 100)?;
        }
        if fault == Fault::TooManyColumns {
            out.extend_from_slice(b",MOVED");
        }
        out.push(b'\n');
        Ok(())
    }
}

impl Situs {
    fn of_row(index: u64, fresh: bool, chance: &mut Chance) -> Situs {
        let (block, lot) = (index / LOTS, index % LOTS);
        let choose = |list: &[&'static str], at: u64| -> &'static str {
            usize::try_from(at % list.len() as u64)
                .ok()
                .and_then(|at| list.get(at))
                .copied()
                .unwrap_or_default()
        };
        let suffix_block = block / NAMES.len() as u64;
        let direction_block = suffix_block / SUFFIXES.len() as u64;
        let hundred = direction_block / DIRECTIONS.len() as u64;
        Situs {
            number: 101 + 100 * hundred + 2 * lot + u64::from(fresh),
            direction: choose(&DIRECTIONS, direction_block),
            street: choose(&NAMES, block),
            suffix: choose(&SUFFIXES, suffix_block),
            unit: chance.in_100_000(8_000).then(|| chance.between(1, 60)),
            city: choose(&CITIES, block / 7),
            zip: 46_000 + (block / 7) % 900,
        }
    }

    /// The address as an office writes it, the town after a comma.
    pub(crate) fn address(&self) -> String {
        let mut words = vec![self.number.to_string()];
        if !self.direction.is_empty() {
            words.push(self.direction.to_owned());
        }
        words.push(capitalised(self.street));
        words.push(capitalised(self.suffix));
        if let Some(unit) = self.unit {
            words.push(format!("Unit {unit}"));
        }
        let town: Vec<String> = self.city.split(' ').map(capitalised).collect();
        format!("{}, {}", words.join(" "), town.join(" "))
    }
}

/// A legal description: sixty of a hundred hold commas and stand in quotes, a few of those hold quotes themselves.
fn write_legal(chance: &mut Chance, out: &mut Vec<u8>) -> std::io::Result<()> {
    let (lot, block, plat) = (chance.between(1, 60), chance.between(1, 40), chance.between(1, 300));
    let (section, range) = (chance.between(1, 36), chance.between(10, 80));
    match chance.below(100) {
        0..5 => {
            write!(out, "\"LOT {lot}, BLK {block}, \"\"OLD MILL\"\" TRACT, PLAT {plat}, RANGE {range} W\"")
        }
        5..60 => write!(out, "\"LOT {lot}, BLK {block}, PLAT {plat}, SECTION {section}, RANGE {range} W\""),
        _ => write!(out, "LOT {lot} BLK {block} PLAT {plat} SECTION {section} RANGE {range} W"),
    }
}

fn capitalised(word: &str) -> String {
    let mut letters = word.chars();
    letters.next().map(|first| first.to_string() + &letters.as_str().to_lowercase()).unwrap_or_default()
}

/// A parcel number as the county prints it: three, four and three digits.
pub(crate) struct Hyphens(pub(crate) u64);

impl std::fmt::Display for Hyphens {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{:03}-{:04}-{:03}", self.0 / 10_000_000, self.0 / 1_000 % 10_000, self.0 % 1_000)
    }
}

struct Unit(Option<u64>);

impl std::fmt::Display for Unit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.map_or(Ok(()), |unit| write!(f, "UNIT {unit}"))
    }
}
