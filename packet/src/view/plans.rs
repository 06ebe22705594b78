//! The plans of the measured house, drawn again from the measurement as it was taken in.

use crossfoot_audit::document::reread;
use crossfoot_audit::plan::{Counting, Ground, Plan, of_house, svg};
use serde::Serialize;

use crate::data::PacketData;
use crate::glyph::Showing;

/// A plan in the document: the name of its file, and what it shows for who cannot see it.
#[derive(Serialize)]
pub(crate) struct PlanView {
    file: String,
    alt: String,
}

/// A plan as a file for the template.
pub(crate) struct PlanFile {
    pub(crate) name: String,
    pub(crate) svg: String,
}

/// The plans of the house under the standard that the finding was judged by; none for a house of stated areas.
pub(super) fn plans(data: &PacketData) -> Vec<Plan> {
    let (Some(standard), Ok(measurement)) = (data.standard.definition(), reread(&data.measurement.document))
    else {
        return Vec::new();
    };
    let statement = standard.state(&measurement.house);
    let levels = of_house(&measurement, &standard, &statement, Ground::Clear);
    levels.into_iter().map(|level| level.plan).collect()
}

/// What the template is told of them.
pub(super) fn views(plans: &[Plan]) -> Vec<PlanView> {
    let view = |(at, plan): (usize, &Plan)| {
        let regions =
            plan.regions.iter().map(|region| format!("{} {}", region.name, region.lines.join(", ")));
        let regions: Vec<String> = regions.collect();
        PlanView { file: name(at), alt: format!("Plan of {}: {}.", plan.level_name, regions.join("; ")) }
    };
    plans.iter().enumerate().map(view).collect()
}

/// The files that the template opens, in characters that the fonts can show.
pub(crate) fn files(data: &PacketData, showing: &mut Showing<'_>) -> Vec<PlanFile> {
    let file = |(at, plan): (usize, Plan)| PlanFile { name: name(at), svg: svg(&shown(plan, showing)) };
    plans(data).into_iter().enumerate().map(file).collect()
}

fn name(at: usize) -> String {
    format!("plan-{}.svg", at + 1)
}

fn shown(mut plan: Plan, showing: &mut Showing<'_>) -> Plan {
    let mut show = |text: &mut String| *text = showing.text(text);
    show(&mut plan.title);
    show(&mut plan.subtitle);
    show(&mut plan.level_name);
    for region in &mut plan.regions {
        show(&mut region.name);
        region.lines.iter_mut().for_each(&mut show);
        match &mut region.counting {
            Counting::Weighted(text) | Counting::Apart(text) => show(text),
            Counting::Counted | Counting::NotCounted => {}
        }
    }
    for edge in &mut plan.edges {
        edge.dimension.iter_mut().chain(&mut edge.suspect).for_each(&mut show);
    }
    plan.openings.iter_mut().for_each(|opening| show(&mut opening.label));
    plan.notes.iter_mut().for_each(&mut show);
    plan
}
