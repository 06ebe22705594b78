//! The commands: what is refused with what would mend it, and what the list shows.

use crate::installation::Installation;
use crate::town::{LAYOUT, roll};

on_both_databases!(a_schedule_that_cannot_be_read_is_refused_with_the_mend, schedules_are_listed_and_removed);

fn a_schedule_that_cannot_be_read_is_refused_with_the_mend(place: &Installation) {
    let add = |cron: &str, zone: &str| {
        place.run(&["schedule", "add", "reconcile", "--cron", cron, "--time-zone", zone])
    };
    add("30 2 * *", "UTC").code(2).complains("such as \"30 2 * * *\"");
    add("30 2 * * *", "America/Chicgo").code(2).complains("such as America/Chicago");
    add("0 0 30 2 *", "UTC").code(2).complains("names no time that comes");
    let layout = place.file("layout.toml", LAYOUT);
    let folder = ["schedule", "add", "drop-folder", "--layout", &layout, "--cron", "* * * * *", "--folder"];
    place.run(&[&folder[..], &["nowhere"]].concat()).code(3).complains("make the folder first");
    place.run(&[&folder[..], &[layout.as_str()]].concat()).code(3).complains("it is no folder");
    assert_eq!(place.sql("SELECT count(*) FROM schedule"), ["0"]);
    assert_eq!(place.sql("SELECT count(*) FROM source"), ["0"]);
}

fn schedules_are_listed_and_removed(place: &Installation) {
    let nightly = ["reconcile", "--cron", "30 2 * * *", "--time-zone", "America/Chicago"];
    let id = place.schedule(&nightly);
    place.run(&[&["schedule", "add"], &nightly[..]].concat()).code(0).says("is here already: nothing to do");
    place.run_for("other", &["schedule", "list"]).code(0);
    let of_nobody = [&["schedule", "add"], &nightly[..], &["--source", "town-roll"]].concat();
    place.run(&of_nobody).code(3).complains("no source town-roll");
    let list = place
        .run(&["schedule", "list"])
        .code(0)
        .says(&id)
        .says("30 2 * * * America/Chicago")
        .says("02:30:00 C");
    assert!(list.out.contains("never"), "{}", list.out);
    place.run_for("other", &["schedule", "remove", &id]).code(3).complains("schedule list names them");
    place.run(&["schedule", "remove", &id]).code(0).says("is removed");
    assert_eq!(place.sql("SELECT count(*) FROM schedule"), ["0"]);
    // with one source only
    place.take_roll(roll(&[Some(1500); 2])).code(0);
    place.schedule(&[&nightly[..], &["--source", "town-roll"]].concat());
    assert_eq!(place.sql("SELECT office, source FROM schedule"), ["office|1"]);
    place.run(&["schedule", "list"]).code(0).says("town-roll");
}
