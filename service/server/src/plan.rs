//! `endplate plan`: what would follow from some resources. Stores nothing.

use crate::boot;
use crate::clock::FixedClock;
use crate::config::{Config, StoreUrl};
use crate::fault::Fault;
use crate::input::{self, Place};
use endplate_fhir::Json;
use endplate_followup::Refusal;
use std::sync::Arc;

/// A `collection` Bundle of everything derived from the resources in `files`, as JSON text.
///
/// # Errors
/// A file cannot be read, or what it holds is refused.
pub async fn run(config: &Config, files: &[String], as_of: Option<&str>) -> Result<String, Fault> {
    let clock = match as_of {
        Some(text) => FixedClock::parse(text, &config.time_zone).map_err(Fault::Usage)?,
        None => FixedClock::stopped(&config.time_zone),
    };
    let resources: Vec<Json> = files
        .iter()
        .map(|file| input::read(file).map_err(|issue| Fault::Input(input::line(file, &issue))))
        .collect::<Result<_, _>>()?;
    let store = boot::open_store(&StoreUrl::Memory).await?;
    let endplate = boot::endplate(config, &boot::base_url(config, config.listen), store, Arc::new(clock));
    let places: Vec<Place> = files
        .iter()
        .zip(&resources)
        .flat_map(|(file, resource)| input::unpack(file, resource).into_iter().map(|(place, ..)| place))
        .collect();
    let bundle = endplate.preview(resources).await.map_err(|refusal| told(&places, refusal))?;
    let mut text =
        serde_json::to_string_pretty(&bundle).map_err(|error| Fault::Environment(error.to_string()))?;
    text.push('\n');
    Ok(text)
}

/// A refusal with its first issue where the file has it.
fn told(places: &[Place], mut refusal: Refusal) -> Fault {
    let Some(first) = refusal.issues.first_mut() else { return refusal.into() };
    let (file, issue) = input::placed(places, first.clone());
    let place = [file, issue.expression].into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>();
    first.expression = place.join(":");
    refusal.into()
}
