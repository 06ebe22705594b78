//! `crossfoot packet`: the evidence on a property as files.

use anyhow::Context as _;
use crossfoot_store::StoreError;
use crossfoot_store::queue::PairView;
use crossfoot_worker::settings::Settings;
use sha2::{Digest as _, Sha256};

use crate::arguments::Packet;
use crate::installation::Installation;
use crate::outcome::{Outcome, complain, say, with_causes};
use crate::packets::{PacketError, Press};

/// Runs the command.
pub(crate) async fn run(settings: &Settings, arguments: &Packet) -> anyhow::Result<Outcome> {
    let installation = Installation::open(settings).await?;
    let (store, office) = (&installation.store, installation.office.as_str());
    let property = match store.property_by_reference(office, &arguments.reference).await {
        Ok(property) => property,
        Err(StoreError::Missing { .. }) => {
            complain(&format!("the office has no property {}", arguments.reference));
            return Ok(Outcome::Refused);
        }
        Err(error) => return Err(error.into()),
    };
    let mut pairs = store.pairs_of_property(office, &property).await?;
    pairs.retain(|pair| {
        pair.finding.is_some() && arguments.source.as_ref().is_none_or(|only| *only == pair.source)
    });
    if pairs.is_empty() {
        complain(&format!(
            "there is no finding on {}: crossfoot explain {} shows how it was judged",
            arguments.reference, arguments.reference
        ));
        return Ok(Outcome::Refused);
    }
    let press = Press::default();
    let mut outcome = Outcome::Done;
    for pair in &pairs {
        match made(&installation, &press, pair, arguments.document).await {
            Ok((name, bytes)) => {
                let path = arguments.out.join(name);
                std::fs::write(&path, &bytes)
                    .with_context(|| format!("{} cannot be written", path.display()))?;
                say(&format!("{}  {}\n", hex::encode(Sha256::digest(&bytes)), path.display()))?;
            }
            Err(error) => {
                complain(&format!("{} against {}: {}", pair.reference, pair.source, with_causes(&error)));
                outcome = outcome.and(Outcome::Refused);
            }
        }
    }
    Ok(outcome)
}

async fn made(
    installation: &Installation,
    press: &Press,
    pair: &PairView,
    document: bool,
) -> Result<(String, Vec<u8>), PacketError> {
    let (store, worker, office) = (&installation.store, &installation.worker, &installation.office);
    if document {
        return press.document(store, worker, office, pair).await;
    }
    let packet = press.packet(store, worker, office, pair).await?;
    Ok((packet.name, packet.bytes))
}
