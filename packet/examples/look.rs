//! Writes samples.
#[path = "../tests/packet/sample.rs"]
#[allow(dead_code)]
mod sample;
fn main() {
    let folder = std::env::args().nth(1).unwrap();
    let mut hostile = sample::variance();
    let t = format!(
        "{} 🏠 שלום עולם and العربية #read(\"x\") *b* $x$ {}",
        "W".repeat(300),
        "Donaudampfschifffahrt".repeat(4)
    );
    hostile.office = t.clone();
    hostile.property.reference = t.clone();
    hostile.property.address = t.clone();
    hostile.source.title = t.clone();
    hostile.record.situs = t.clone();
    hostile.matched.how = t.clone();
    hostile.record.fields[0].value = t.clone();
    hostile.record.fields[1].header = t.clone();
    for l in &mut hostile.statement.lines {
        l.building = t.clone();
        l.rule = t.clone();
        l.because = t.clone();
        l.part_use = t.clone();
    }
    for l in &mut hostile.explanation {
        l.how = t.clone();
        l.what = t.clone();
        l.result = t.clone();
    }
    hostile.history[0].what = t.clone();
    hostile.history[0].state = t.clone();
    hostile.finding.closing = Some(t.clone());
    std::fs::write(format!("{folder}/hostile.pdf"), crossfoot_packet::document::render(&hostile).unwrap())
        .unwrap();
    let mut near = sample::variance();
    near.comparison.difference_sqft = "-2.2".into();
    near.comparison.variance_ppm = Some(-1692);
    near.comparison.recorded_sqft = Some("1300".into());
    near.statement.total_sqft = "1300".into();
    std::fs::write(format!("{folder}/near.pdf"), crossfoot_packet::document::render(&near).unwrap()).unwrap();
    for (name, data) in
        [("variance", sample::variance()), ("none", sample::no_area()), ("vacant", sample::recorded_vacant())]
    {
        for _ in 0..4 {
            let t = std::time::Instant::now();
            match crossfoot_packet::document::render(&data) {
                Ok(pdf) => {
                    println!("{name} {} bytes {:?}", pdf.len(), t.elapsed());
                    std::fs::write(format!("{folder}/{name}.pdf"), pdf).unwrap();
                }
                Err(e) => println!("{e}"),
            }
        }
        let t = std::time::Instant::now();
        let p = crossfoot_packet::seal(&data).unwrap();
        println!("seal {:?} {}", t.elapsed(), p.bytes.len());
        std::fs::write(format!("{folder}/{name}.zip"), &p.bytes).unwrap();
        let t = std::time::Instant::now();
        let v = crossfoot_packet::verify(&p.bytes).unwrap();
        println!("verify {:?} {:?}", t.elapsed(), v.document);
    }
}
