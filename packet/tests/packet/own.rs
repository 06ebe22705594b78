//! A finding judged by an office's own definition of floor area verifies alone.

use crossfoot_packet::data::PacketData;
use crossfoot_packet::{FigureCheck, SealError, seal, verify};

use super::sample::by_own;

/// Everything counts, at nine tenths: no definition of the program gives these figures.
const OWN: &str = "id = \"nine-tenths\"\ntitle = \"Nine tenths\"\npublisher = \"the town\"\nedition = \"1\"\n\
    source = \"a letter of the office\"\nmeasured_to = \"outside\"\n\
    [[rule]]\nid = \"all\"\nverdict = \"counted\"\nweight = \"9/10\"\nbecause = \"as the letter says\"\n";

fn changed(change: impl Fn(&mut PacketData)) -> PacketData {
    let mut data = by_own(OWN);
    change(&mut data);
    data
}

#[test]
fn it_is_stated_again_by_the_definition_in_the_packet() {
    let data = by_own(OWN);
    assert_eq!(data.standard.id, "nine-tenths@2");
    let verified = verify(&seal(&data).unwrap().bytes).unwrap();
    let FigureCheck::Computed(figures) = &verified.figures else { panic!("{:?}", verified.figures) };
    let parts = figures.iter().find(|figure| figure.what == "parts of the measurement").unwrap();
    assert!(parts.holds && parts.computed.ends_with("by all"), "{parts:?}");
    assert_eq!(verified.data, data);
}

#[test]
fn a_definition_under_which_the_figures_do_not_hold_is_found() {
    let data = changed(|data| {
        let text = data.standard.definition.as_mut().unwrap();
        *text = text.replace("9/10", "8/10");
    });
    let bytes = seal(&data).unwrap().bytes;
    let fault = format!("{:?}", verify(&bytes).unwrap_err());
    assert!(fault.contains("parts of the measurement"), "{fault}");
}

#[test]
fn a_definition_that_is_none_or_another_is_refused() {
    let replaced = |from: &'static str, to: &'static str| {
        changed(move |data| {
            let text = data.standard.definition.as_mut().unwrap();
            *text = text.replace(from, to);
        })
    };
    for data in [
        replaced("Nine tenths", "Ten tenths"),
        replaced("nine-tenths", "ten-tenths"),
        replaced("\"counted\"", "\"apart\""),
        replaced("{", "["),
        changed(|data| data.standard.id = "nine-tenths".to_owned()),
        changed(|data| data.standard.publisher = "another".to_owned()),
    ] {
        match seal(&data) {
            Err(SealError::Data(flaw)) => assert_eq!(flaw.field, "standard.definition", "{flaw}"),
            other => panic!("{other:?}"),
        }
    }
}
