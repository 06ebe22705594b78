//! `crossfoot`: the program of an office. Imports rolls and measured houses, reconciles them, shows the queue, exports.

mod api;
mod arguments;
mod bar;
mod beside;
mod commands;
mod edition_words;
mod footing;
mod houses;
mod http;
mod installation;
mod jurisdictions;
mod night;
mod outcome;
mod packets;
mod pages;
mod recorded;
mod table;

use std::process::ExitCode;

use arguments::{Arguments, Command};
use clap::Parser as _;
use crossfoot_store::StoreError;
use outcome::{Outcome, with_causes};
use tracing_subscriber::EnvFilter;

#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

#[tokio::main]
async fn main() -> ExitCode {
    let arguments = Arguments::parse();
    match run(arguments).await {
        Ok(outcome) => outcome.exit_code(),
        Err(error) => {
            outcome::complain(&with_causes(&*error));
            if about_settings(&error) { Outcome::Usage.exit_code() } else { Outcome::Failed.exit_code() }
        }
    }
}

/// Whether a setting is wrong, not the machine.
fn about_settings(error: &anyhow::Error) -> bool {
    let settings = |cause: &(dyn std::error::Error + 'static)| {
        matches!(cause.downcast_ref::<StoreError>(), Some(StoreError::Settings(_)))
    };
    error.chain().any(settings)
}

async fn run(arguments: Arguments) -> anyhow::Result<Outcome> {
    if let Command::Schema(schema) = &arguments.command {
        return commands::schema::run(schema);
    }
    if let Command::Verify(verify) = &arguments.command {
        return commands::verify::run(verify);
    }
    if let Command::Measure(measure) = &arguments.command {
        return commands::measure::run(measure);
    }
    let mut flags = arguments.flags.clone();
    if let Command::Demo(demo) = &arguments.command {
        demo.settle(&mut flags);
    }
    let settings = match crossfoot_worker::settings::Settings::read(arguments.config.as_deref(), &flags) {
        Ok(settings) => settings,
        Err(error) => {
            outcome::complain(&error.to_string());
            return Ok(Outcome::Usage);
        }
    };
    let filter = match EnvFilter::try_new(&settings.log) {
        Ok(filter) => filter,
        Err(error) => {
            outcome::complain(&format!("log is {:?}: {error}", settings.log));
            return Ok(Outcome::Usage);
        }
    };
    tracing_subscriber::fmt().json().with_writer(std::io::stderr).with_env_filter(filter).init();
    match arguments.command {
        Command::Config => commands::config::run(&settings),
        Command::Demo(demo) => commands::demo::run(&settings, &demo).await,
        Command::Import(import) => commands::import::run(&settings, &import).await,
        Command::Reconcile(reconcile) => commands::reconcile::run(&settings, &reconcile).await,
        Command::Serve(serve) => commands::serve::run(&settings, &serve).await,
        Command::Compare(compare) => commands::compare::run(&settings, &compare).await,
        Command::Jurisdiction(jurisdiction) => commands::jurisdiction::run(&settings, &jurisdiction).await,
        Command::Queue(queue) => commands::queue::run(&settings, &queue).await,
        Command::Explain(explain) => commands::explain::run(&settings, &explain).await,
        Command::Packet(packet) => commands::packet::run(&settings, &packet).await,
        Command::Edition(what) => commands::edition::run(&settings, &what).await,
        Command::Set(what) => commands::set::run(&settings, &what).await,
        Command::Export(export) => commands::export::run(&settings, &export).await,
        Command::Policy(policy) => commands::policy::run(&settings, &policy).await,
        Command::Standards(standards) => commands::standards::run(&settings, &standards).await,
        Command::Schedule(schedule) => commands::schedule::run(&settings, &schedule).await,
        Command::Fetch(fetch) => commands::fetch::run(&settings, &fetch).await,
        Command::Report(report) => commands::report::run(&settings, &report).await,
        Command::Originals(originals) => commands::originals::run(&settings, &originals).await,
        Command::Key(key) => commands::key::run(&settings, &key).await,
        Command::Verify(verify) => commands::verify::run(&verify),
        Command::Layouts(layouts) => commands::layouts::run(&layouts),
        Command::Measure(measure) => commands::measure::run(&measure),
        Command::Schema(schema) => commands::schema::run(&schema),
    }
}
