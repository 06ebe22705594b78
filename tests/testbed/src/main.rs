//! A throw-away PostgreSQL to try things on: prints its address, and stops when its input ends.

use std::io::{self, Read, Write};

fn main() -> io::Result<()> {
    let server = crossfoot_testbed::postgres();
    let mut out = io::stdout();
    writeln!(out, "{}", server.fresh_database("trial"))?;
    out.flush()?;
    io::stdin().read_to_end(&mut Vec::new())?;
    Ok(())
}
