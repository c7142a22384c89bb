//! The use cases of Endplate, on ports: repairs and findings in, plans and alerts out.
//!
//! One direction: a write is checked ([`mod@write`]), turned into plain facts ([`intake`]), put through the pure core
//! (`endplate_recovery`), told as resources ([`plan`], [`notice`]), and committed with its outbox rows in one transaction. The
//! sweep ([`sweep`]) is the same path with no new resource, only a later clock. Nothing here knows HTTP, SQL or the system
//! clock; JSON stops here.

pub mod account;
pub mod answer;
pub mod audit;
pub mod booking;
pub mod calendar;
pub mod capacity;
pub mod card;
pub mod chart;
pub mod claim;
pub mod code;
pub mod derivation;
pub mod document;
pub mod dossier;
pub mod element;
pub mod forward;
pub mod grant;
pub mod identity;
pub mod intake;
pub mod kept;
mod memory;
pub mod message;
pub mod notice;
pub mod notification;
mod object;
pub mod operation;
pub mod outbox;
pub mod person;
pub mod plan;
pub mod poll;
pub mod ports;
pub mod preview;
pub mod protocol;
pub mod read;
pub mod record;
pub mod refusal;
pub mod search;
pub mod subscription;
pub mod sweep;
pub mod terminology;
pub mod trace;
pub mod write;

pub use outbox::DeliveryReport;
pub use plan::Party;
pub use record::Record;
pub use refusal::{Reason, Refusal};
pub use sweep::SweepReport;
pub use write::{Returned, Written};

use endplate_recovery::protocol::Protocol;
use jiff::SignedDuration;
use ports::{Clock, Endpoints, Meter, Store};
use std::num::NonZeroUsize;
use std::ops::Deref;
use std::sync::Arc;

/// What a clinic configures.
#[derive(Clone, Debug)]
pub struct Settings {
    /// The address under which this service is reached, such as `http://127.0.0.1:8080/fhir`, without a slash at the end.
    pub base: String,
    /// The parameters of the forecast, the schedule and the alerts.
    pub protocol: Protocol,
    /// Who leads the clinic.
    pub clinic_lead: Party,
    /// Who books reviews.
    pub scheduler: Party,
    /// Most reviews a day, booked and planned together; none: as many as there are.
    pub reviews_per_day_max: Option<u32>,
}

/// The use cases. Cheap to clone: each request does.
#[derive(Clone)]
pub struct Endplate {
    house: Arc<House>,
    /// On whose behalf; none: the service itself, or anybody where access is open.
    grant: Option<Arc<grant::Grant>>,
    /// Who is registered; none: access is open.
    registered: Option<Arc<grant::Registered>>,
    /// The request that calls; none where the service itself acts.
    call: Option<Arc<audit::Call>>,
    /// The trace that this is part of.
    trace: Option<Arc<trace::Trace>>,
}

/// What the use cases have at hand whoever calls: of nobody's concern outside this crate.
#[derive(Clone)]
pub struct House {
    store: Arc<dyn Store>,
    clock: Arc<dyn Clock>,
    settings: Arc<Settings>,
    terms: Arc<memory::Remembered<terminology::Maps>>,
    listening: Arc<memory::Remembered<subscription::Listeners>>,
    protocols: Arc<kept::Protocols>,
    meter: Option<Arc<dyn Meter>>,
    records: Arc<[Record]>,
    give_up_after: SignedDuration,
    endpoints: Option<Arc<dyn Endpoints>>,
    claims: Arc<claim::Claims>,
    sweep_together: NonZeroUsize,
}

impl Deref for Endplate {
    type Target = House;

    fn deref(&self) -> &House {
        &self.house
    }
}

impl Endplate {
    /// The use cases on a store, a clock and settings.
    pub fn new(store: Arc<dyn Store>, clock: Arc<dyn Clock>, settings: Settings) -> Self {
        let house = House {
            store,
            clock,
            settings: Arc::new(settings),
            terms: Arc::default(),
            listening: Arc::default(),
            protocols: Arc::default(),
            meter: None,
            records: Arc::default(),
            give_up_after: SignedDuration::from_hours(outbox::GIVE_UP_AFTER_H),
            endpoints: None,
            claims: Arc::new(claim::Claims::of("endplate".to_owned())),
            sweep_together: NonZeroUsize::MIN,
        };
        Self { house: Arc::new(house), grant: None, registered: None, call: None, trace: None }
    }

    /// The same with something else at hand.
    fn furnished(self, change: impl FnOnce(&mut House)) -> Self {
        let mut house = Arc::unwrap_or_clone(self.house);
        change(&mut house);
        Self { house: Arc::new(house), ..self }
    }

    /// The same beside hospital record servers.
    #[must_use]
    pub fn beside(self, records: Vec<Record>) -> Self {
        self.furnished(|house| house.records = records.into())
    }

    /// The record servers.
    pub fn records(&self) -> &[Record] {
        &self.records
    }

    /// The same, which tries an event for this long and stores no Subscription whose address these do not allow.
    #[must_use]
    pub fn telling(self, give_up_after: SignedDuration, endpoints: Arc<dyn Endpoints>) -> Self {
        self.furnished(|house| (house.give_up_after, house.endpoints) = (give_up_after, Some(endpoints)))
    }

    /// The same, whose sweep looks at so many patients side by side, where it would else look at one after the other: while the store is
    /// waited for on one, another is worked on. Which of them is written first is then left to chance. It is not where reviews a day
    /// are bounded: there it goes on looking at one after the other.
    #[must_use]
    pub fn sweeping(self, together: NonZeroUsize) -> Self {
        self.furnished(|house| house.sweep_together = together)
    }

    /// The same, heard by a meter.
    #[must_use]
    pub fn metered(self, meter: Arc<dyn Meter>) -> Self {
        self.furnished(|house| house.meter = Some(meter))
    }

    /// What the clinic configured.
    pub fn settings(&self) -> &Settings {
        &self.settings
    }
}
