//! A store with many patients, made in minutes: a few accepted through the front door, the others copied from one of them.
//!
//! A copy has the same resources and rows under ids and identifiers of its own, so that tables and indexes are as large as with
//! patients who came one by one. Nobody writes to a copy: its ids are not those that a derivation would give.

use endplate_fhir::{Json, index, json, reference};
use endplate_followup::ports::{Agenda, Changeset, Clock, Deed, Put, Store, Stored};
use endplate_followup::{Endplate, Party, Settings, protocol};
use endplate_server as _; // for its allocator: what is measured is what is served
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::Offset;
use std::collections::BTreeSet;
use std::fmt::Write;
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, LazyLock};

/// The service's own address in all of this.
pub const BASE: &str = "http://127.0.0.1:8080/fhir";

/// How many copies are committed together.
const TOGETHER: usize = 40;

/// How long an id is: a UUID as text.
const ID_LEN: usize = 36;

/// A clock that stands where it was set.
#[derive(Debug)]
pub struct SetClock(AtomicI64);

impl SetClock {
    /// Stands at an instant, such as `2025-01-15T08:00:00Z`.
    pub fn at(text: &str) -> Arc<Self> {
        let clock = Arc::new(Self(AtomicI64::new(0)));
        clock.set(text);
        clock
    }

    /// Moves to an instant.
    pub fn set(&self, text: &str) {
        let at: Timestamp = text.parse().expect("an instant");
        self.0.store(at.as_millisecond(), Ordering::SeqCst);
    }
}

impl Clock for SetClock {
    fn now(&self) -> Timestamp {
        Timestamp::from_millisecond(self.0.load(Ordering::SeqCst)).expect("an instant")
    }

    fn today(&self) -> Date {
        Offset::UTC.to_datetime(self.now()).date()
    }
}

/// The use cases on a store, with the published protocol or a clinic's own.
pub fn endplate(store: Arc<dyn Store>, clock: Arc<dyn Clock>, site: Option<&toml::Table>) -> Endplate {
    let party = |display: &str| Party { display: display.to_owned(), reference: None };
    let settings = Settings {
        base: BASE.to_owned(),
        protocol: protocol::load(site).expect("the protocol"),
        clinic_lead: party("Clinic lead"),
        scheduler: party("Booking desk"),
        reviews_per_day_max: None,
    };
    Endplate::new(store, clock, settings)
}

/// The repair record of a patient who comes through the front door.
pub fn record(number: usize) -> Json {
    let text = include_str!("../../../fixtures/clinic/01-alder.json")
        .replace("P-001", &format!("P-{number:06}"))
        .replace("I-001", &format!("I-{number:06}"))
        .replace("O-001", &format!("O-{number:06}"));
    serde_json::from_str(&text).expect("the fixture is JSON")
}

/// A text with places for what differs between copies.
struct Template {
    /// What stands between the places.
    fixed: Vec<String>,
    /// What each place held.
    held: Vec<Place>,
}

enum Place {
    /// An id of the original.
    Id(String),
    /// The number of the patient in an identifier.
    Number,
}

impl Template {
    fn of(text: &str, ids: &BTreeSet<String>, number: &str) -> Self {
        let mut template = Self { fixed: vec![String::new()], held: Vec::new() };
        let mut rest = text;
        while !rest.is_empty() {
            let place = match rest.get(..ID_LEN).filter(|id| ids.contains(*id)) {
                Some(id) => Some((Place::Id(id.to_owned()), ID_LEN)),
                None => rest.starts_with(number).then_some((Place::Number, number.len())),
            };
            let taken = if let Some((place, len)) = place {
                template.held.push(place);
                template.fixed.push(String::new());
                len
            } else {
                let len = rest.chars().next().map_or(0, char::len_utf8);
                template.fixed.last_mut().expect("never empty").push_str(&rest[..len]);
                len
            };
            rest = &rest[taken..];
        }
        template
    }

    fn filled(&self, number: usize) -> String {
        let mut text = self.fixed[0].clone();
        for (place, fixed) in self.held.iter().zip(&self.fixed[1..]) {
            match place {
                Place::Id(id) => text.push_str(&copied(id, number)),
                Place::Number => _ = write!(text, "{number:06}"),
            }
            text.push_str(fixed);
        }
        text
    }
}

/// The id of a copy: that of the original up to its last eight digits, which are the copy's number.
fn copied(id: &str, number: usize) -> String {
    format!("{}{number:08}", &id[..ID_LEN - 8])
}

/// What one patient's resources look like, to be copied.
pub struct Original {
    templates: Vec<(String, String, Template)>,
}

impl Original {
    /// The records of a patient with this number who came through the front door, and all that was made of them.
    pub async fn of(store: &dyn Store, number: usize) -> Self {
        let mut of_patient = endplate_fhir::search::criteria(
            &format!("Patient?identifier=https://clinic.example/record-number|P-{number:06}"),
            BASE,
        )
        .expect("a search");
        of_patient.count = 2;
        let found = store.search(&of_patient).await.expect("a page").resources;
        let patient = found.first().expect("the patient").id.clone();
        let resources = store.compartment(&patient).await.expect("a compartment").resources;
        let ids: BTreeSet<String> = resources.iter().map(|one| one.id.clone()).collect();
        assert!(ids.iter().all(|id| id.len() == ID_LEN), "ids are UUIDs");
        let number = format!("{number:06}");
        let template = |one: Stored| {
            let template = Template::of(&one.body, &ids, &number);
            (one.kind, one.id, template)
        };
        Self { templates: resources.into_iter().map(template).collect() }
    }

    /// The copy with this number.
    fn copy(&self, number: usize, at: Timestamp) -> Vec<Put> {
        let put = |(kind, id, template): &(String, String, Template)| {
            let body = template.filled(number);
            let resource = json::stored(&body);
            let rows = index::rows(&resource, BASE);
            let patient = reference::patient_of(&resource, BASE);
            let stored = Stored { kind: kind.clone(), id: copied(id, number), version: 1, at, body };
            Put { stored, deed: Deed::Created, patient, rows }
        };
        self.templates.iter().map(put).collect()
    }

    /// Adds the copies with these numbers. Each is due on a day that is far away.
    pub async fn fill(&self, store: &dyn Store, numbers: std::ops::Range<usize>, at: Timestamp) {
        static FAR: LazyLock<Date> = LazyLock::new(|| Date::constant(2099, 1, 1));
        let mut numbers = numbers.peekable();
        while numbers.peek().is_some() {
            let mut change = Changeset { at: Some(at), ..Changeset::default() };
            for number in numbers.by_ref().take(TOGETHER) {
                let puts = self.copy(number, at);
                let patient = puts.iter().find(|put| put.stored.kind == "Patient").expect("a patient");
                change.agenda.push(Agenda { patient: patient.stored.id.clone(), due_on: Some(*FAR) });
                change.puts.extend(puts);
            }
            store.commit(change).await.expect("copies");
        }
    }
}
