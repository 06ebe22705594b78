//! Basalt County as the demonstration has it, served, with keys to sign in by.

use crate::driver::Browser;
use crate::installation::Installation;
use crate::server::{Server, key};

pub(crate) const OFFICE: &str = "demonstration";

/// The demonstration's data behind a running service.
pub(crate) struct County {
    pub(crate) server: Server,
    /// A key that may do everything in the office.
    pub(crate) desk: String,
    /// A key of the operator.
    pub(crate) host: String,
}

impl County {
    pub(crate) fn of(place: &Installation) -> Self {
        place.run_for(OFFICE, &["demo", "--no-serve"]).code(0);
        // files that are awaited, and one that is here
        place.run(&["set", "begin", "basalt-county-roll", "roll-north.csv", "roll-south.csv"]).code(0);
        let north = place.file("roll-north.csv", "Parcel ID,Situs\n");
        place.run(&["set", "put", "basalt-county-roll", "1", &north]).code(0);
        Self {
            desk: key(place, OFFICE, "administer"),
            host: key(place, OFFICE, "operator"),
            server: Server::start(place, &[]),
        }
    }

    /// A browser that is signed in with the desk's key.
    pub(crate) fn browser(&self) -> Browser {
        let browser = Browser::new(&self.server.address);
        browser.sign_in(&self.desk);
        browser
    }
}

/// The pages of an office, with one finding and one property.
pub(crate) fn pages_of_the_office(browser: &Browser) -> Vec<String> {
    browser.open("/queue");
    let finding = browser.ask("return document.querySelector('tr.go a.whole').getAttribute('href')");
    let property = browser.ask("return document.querySelector('tr.go a.over').getAttribute('href')");
    // one house of the county was drawn, the others' areas were stated
    browser.open("/properties/DAO-001");
    let drawn = browser.ask("return document.querySelector('tr.go a.whole').getAttribute('href')");
    let stated = format!("{}/measurements/1", property.as_str().unwrap());
    let mut pages: Vec<String> =
        [finding, property, drawn].iter().map(|path| path.as_str().unwrap().to_owned()).collect();
    pages.push(stated);
    let others = [
        "/queue",
        "/queue?state=open&direction=smaller",
        "/matches",
        "/runs",
        "/uploads",
        "/sources/basalt-county-roll/editions/1",
        "/sources/basalt-county-roll/editions/1/quarantine",
        "/sets",
        "/compare",
        "/compare?source=basalt-county-roll&with=basalt-treasurer",
        "/compare?source=basalt-county-roll&with=basalt-treasurer&list=only_in_source",
        "/uploads/look",
        "/properties",
        "/report",
        "/properties/DAO-029",
        "/nowhere",
        "/findings/none",
        "/signin?next=/matches",
    ];
    pages.extend(others.map(str::to_owned));
    pages
}

/// Opens everything that is folded on a page, so that it is looked at too.
pub(crate) fn unfold(browser: &Browser) {
    browser.ask("for (const folded of document.querySelectorAll('details')) folded.open = true");
}
