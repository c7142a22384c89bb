//! Protocols that plans were made by. A plan keeps the version it was made with, so every version that ever made one must
//! stay readable, whatever the configuration says now.
//!
//! A protocol is kept as a Library, in the same commit as the first plan that follows it. No client writes it. Plans of
//! another version than the present one are derived with the kept protocol until someone asks to move them.

use crate::Endplate;
use crate::code::EP;
use crate::document;
use crate::dossier::Dossier;
use crate::element::{items, text};
use crate::grant::{RECORDS, Right};
use crate::identity;
use crate::plan;
use crate::preview::is_derived;
use crate::protocol::written;
use crate::refusal::{Reason, Refusal};
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use endplate_fhir::Json;
use endplate_fhir::issue::{Code, Issue};
use endplate_recovery::protocol::Protocol;
use serde_json::json;
use std::collections::BTreeMap;
use std::sync::{Arc, PoisonError, RwLock};

/// Protocols by version.
pub type Kept = BTreeMap<String, Arc<Protocol>>;

/// No other protocol than the present one.
pub static NONE: Kept = Kept::new();

/// Kept protocols as they were read: they never change.
#[derive(Debug, Default)]
pub struct Protocols(RwLock<Kept>);

/// The version of the protocol that a derived plan follows.
pub fn version_of(plan: &Json) -> Option<&str> {
    let prefix = format!("{EP}/PlanDefinition/nerve-repair-follow-up|");
    items(plan, "instantiatesCanonical").find_map(|canonical| canonical.as_str()?.strip_prefix(&prefix))
}

fn library_id(version: &str) -> String {
    identity::id("Library", &["protocol", version])
}

/// A protocol as it is kept.
fn library(protocol: &Protocol) -> Json {
    document::derived(
        "Library",
        &library_id(&protocol.version),
        json!({
            "url": format!("{EP}/Library/nerve-repair-follow-up-protocol"),
            "version": protocol.version,
            "name": "NerveRepairFollowUpProtocol",
            "title": "Parameters of the follow-up of nerve repairs",
            "status": "active",
            "type": { "coding": [{
                "system": "http://terminology.hl7.org/CodeSystem/library-type", "code": "asset-collection"
            }] },
            "description": format!("What the plans of version {} follow. {}", protocol.version, document::CAUTION),
            "content": [{
                "contentType": "application/toml",
                "data": STANDARD.encode(written::text(protocol)),
            }],
        }),
    )
}

/// The protocol that a Library keeps.
fn read(library: &Json) -> Option<Protocol> {
    let data = items(library, "content").find_map(|content| text(content, &["data"]))?;
    let toml = String::from_utf8(STANDARD.decode(data).ok()?).ok()?;
    written::read(&toml).ok()
}

impl Endplate {
    /// The kept protocols that the plans of a dossier follow, where these are not the present one. A plan whose protocol was
    /// never kept follows the present one.
    pub(crate) async fn kept(&self, dossier: &Dossier) -> Result<Kept, Refusal> {
        let mut kept = Kept::new();
        for plan in dossier.all("CarePlan").filter(|plan| is_derived(plan)) {
            let Some(version) = version_of(plan).filter(|version| *version != self.settings.protocol.version)
            else {
                continue;
            };
            if let Some(protocol) = self.protocol_of(version).await? {
                kept.insert(version.to_owned(), protocol);
            }
        }
        Ok(kept)
    }

    async fn protocol_of(&self, version: &str) -> Result<Option<Arc<Protocol>>, Refusal> {
        let known = self.protocols.0.read().unwrap_or_else(PoisonError::into_inner).get(version).cloned();
        if known.is_some() {
            return Ok(known);
        }
        let Some(stored) = self.store.read("Library", &library_id(version)).await? else { return Ok(None) };
        let library: Json = endplate_fhir::json::stored(&stored.body);
        let Some(protocol) = read(&library).map(Arc::new) else { return Ok(None) };
        let mut known = self.protocols.0.write().unwrap_or_else(PoisonError::into_inner);
        known.insert(version.to_owned(), Arc::clone(&protocol));
        Ok(Some(protocol))
    }

    /// The present protocol as it must be stored beside plans that follow it; none if it is.
    ///
    /// # Errors
    /// The version is kept with other parameters.
    pub(crate) async fn unkept<'a>(
        &self,
        mut written: impl Iterator<Item = &'a Json>,
    ) -> Result<Option<(Json, u64)>, Refusal> {
        let present = &self.settings.protocol;
        let follows = |one: &Json| {
            text(one, &["resourceType"]) == Some("CarePlan")
                && version_of(one) == Some(present.version.as_str())
        };
        if !written.any(follows) {
            return Ok(None);
        }
        Ok((!self.is_kept().await?).then(|| (library(present), 1)))
    }

    /// Whether the present protocol is kept.
    async fn is_kept(&self) -> Result<bool, Refusal> {
        let present = &self.settings.protocol;
        match self.protocol_of(&present.version).await? {
            None => Ok(false),
            Some(kept) if *kept == *present => Ok(true),
            Some(_) => {
                let text = "plans follow another protocol of the same version; give protocol.version another value in the configuration, or none.";
                Err(Refusal::new(Reason::Fault, Issue::error(Code::Exception, "", text)))
            }
        }
    }

    /// Whether the configured protocol can be used with what is stored: to be asked before anything else is done.
    ///
    /// # Errors
    /// Its version is kept with other parameters; the store cannot be read.
    pub async fn check_protocol(&self) -> Result<(), Refusal> {
        self.is_kept().await.map(|_| ())
    }
}

/// What moving the plans of one patient to the present protocol changes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Moved {
    /// Plans that change their version.
    pub plans: usize,
    /// Windows of milestones that change.
    pub windows: usize,
    /// Reviews whose window changes.
    pub reviews_moved: usize,
    /// Reviews that are new.
    pub reviews_added: usize,
    /// Reviews that are no longer asked for.
    pub reviews_withdrawn: usize,
    /// Alerts that are raised.
    pub alerts_raised: usize,
    /// Alerts that are cleared.
    pub alerts_cleared: usize,
}

impl Moved {
    /// Each count with its name.
    pub fn counts(&self) -> [(&'static str, usize); 7] {
        [
            ("plans", self.plans),
            ("windows", self.windows),
            ("reviews-moved", self.reviews_moved),
            ("reviews-added", self.reviews_added),
            ("reviews-withdrawn", self.reviews_withdrawn),
            ("alerts-raised", self.alerts_raised),
            ("alerts-cleared", self.alerts_cleared),
        ]
    }

    fn add(&mut self, other: &Self) {
        self.plans += other.plans;
        self.windows += other.windows;
        self.reviews_moved += other.reviews_moved;
        self.reviews_added += other.reviews_added;
        self.reviews_withdrawn += other.reviews_withdrawn;
        self.alerts_raised += other.alerts_raised;
        self.alerts_cleared += other.alerts_cleared;
    }

    /// Counts one resource as it was and as it would be.
    pub(crate) fn note(&mut self, before: Option<&Json>, after: &Json) {
        let of =
            |resource: Option<&Json>, pointer: &str| resource.and_then(|one| one.pointer(pointer)).cloned();
        let status = |resource| of(resource, "/status");
        match text(after, &["resourceType"]) {
            Some("CarePlan") if before.and_then(version_of) != version_of(after) => self.plans += 1,
            Some("RiskAssessment") => {
                let windows = |resource: Option<&Json>| -> Vec<Json> {
                    let predictions = resource.map(|one| items(one, "prediction")).into_iter().flatten();
                    predictions.filter_map(|one| one.get("whenPeriod").cloned()).collect()
                };
                let (old, new) = (windows(before), windows(Some(after)));
                self.windows += new.iter().zip(&old).filter(|(new, old)| new != old).count();
            }
            Some("ServiceRequest") if before.is_none() => self.reviews_added += 1,
            Some("ServiceRequest") if status(before) != status(Some(after)) => self.reviews_withdrawn += 1,
            Some("ServiceRequest") => {
                let window = "/occurrencePeriod";
                self.reviews_moved += usize::from(of(before, window) != of(Some(after), window));
            }
            Some("DetectedIssue") => {
                let ended = |resource| of(resource, "/identifiedPeriod/end").is_some();
                match (before.is_some() && !ended(before), ended(Some(after))) {
                    (false, false) => self.alerts_raised += 1,
                    (true, true) => self.alerts_cleared += 1,
                    _ => {}
                }
            }
            _ => {}
        }
    }
}

/// What moving all plans did, or would do.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct MoveReport {
    /// Patients with a plan of another version.
    pub patients: usize,
    /// What changes.
    pub moved: Moved,
}

impl Endplate {
    /// Moves every active plan of another version to the present protocol, or, with `preview`, says what that would change and
    /// stores nothing. `progress` is told the patients done and their number.
    pub async fn move_plans(
        &self,
        preview: bool,
        progress: &(dyn Fn(usize, usize) + Sync),
    ) -> Result<MoveReport, Refusal> {
        let base = self.settings.base.clone();
        let present = plan::definition(&self.settings.protocol);
        let mut patients = std::collections::BTreeSet::new();
        self.each("CarePlan?status=active", &mut |plan| {
            let other = items(&plan, "instantiatesCanonical").all(|one| one.as_str() != Some(&present));
            if is_derived(&plan) && other {
                patients.extend(endplate_fhir::reference::patient_of(&plan, &base));
            }
        })
        .await?;
        let mut report = MoveReport::default();
        for patient in &patients {
            report.moved.add(&self.move_patient(patient, preview).await?);
            report.patients += 1;
            progress(report.patients, patients.len());
        }
        Ok(report)
    }

    /// `Patient/{id}/$protocol-preview` and `$protocol-move`: what changes when the plans of one patient follow the present
    /// protocol, as Parameters: `version` and one count a kind of change.
    ///
    /// # Errors
    /// No such patient.
    pub async fn move_one(
        &self,
        patient: &str,
        preview: bool,
        inputs: &crate::operation::Inputs,
    ) -> Result<Json, Refusal> {
        self.permit_all(Right::Read, &RECORDS)?;
        self.permit_all(if preview { Right::Read } else { Right::Update }, &["CarePlan"])?;
        inputs.only(&[])?;
        self.read("Patient", patient).await?;
        let moved = self.move_patient(patient, preview).await?;
        let mut all = vec![
            json!({ "name": "version", "valueString": self.settings.protocol.version }),
            json!({ "name": "caution", "valueString": document::CAUTION }),
        ];
        let count = |(name, count): (&str, usize)| json!({ "name": name, "valueInteger": count });
        all.extend(moved.counts().into_iter().map(count));
        Ok(crate::operation::parameters(all))
    }
}
