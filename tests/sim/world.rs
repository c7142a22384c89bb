//! One world: a clinic that is followed over years of simulated time while its clock, its network and its process misbehave.

mod fate;

use crate::chart::Chart;
use crate::checker::{self, Checker, Violation, Voice, ensure};
use crate::clinic::{EP, settings, subscription};
use crate::clock::{CLINICS, SimClock};
use crate::courier::Courier;
use crate::dice::Dice;
use crate::flaw::{Fault, Flaw};
use crate::ground::Ground;
use crate::hospital::{Hospital, Letter, Write};
use crate::network::Network;
use crate::shaky::{Journal, Shaky};
use endplate_fhir::Json;
use endplate_fhir::bundle::{Address, Entry, Method};
use endplate_followup::ports::{Clock, Past, Put, Replay, Store, Stored};
use endplate_followup::{Endplate, Reason, Refusal, Written};
use fate::Misfortune;
use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};
use serde_json::json;
use std::collections::BTreeMap;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::num::NonZeroUsize;
use std::sync::Arc;

/// How often the clock goes on. A step is twelve days in the mean, so that a world lasts two years.
const STEPS: u32 = 60;
/// Patients that a sweep looks at side by side, as where nothing else is configured.
const TOGETHER: NonZeroUsize = NonZeroUsize::new(4).expect("more than none");
/// Receivers by search, each told of every version of one type.
const BY_SEARCH: [&str; 3] = ["Task", "DetectedIssue", "Communication"];
/// A receiver by topic, and the types that it is told of (wire contract, section 4.2).
const BY_TOPIC: (&str, [&str; 3]) = ("plans", ["CarePlan", "Goal", "RiskAssessment"]);

/// What a world leaves.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Trace {
    /// Of everything that was committed and sent, to the byte and in order.
    pub digest: u64,
    pub days: i64,
    pub versions: usize,
    pub sent: usize,
    pub restarts: u64,
    pub alerts: u64,
    pub refused: u64,
}

/// What was awaited did not come: the process has ended.
struct Ended;

pub struct World<'a> {
    seed: u64,
    dice: Dice,
    /// Only this is checked; none: everything is.
    only: Option<Checker>,
    misfortunes: Vec<Misfortune>,
    clock: Arc<SimClock>,
    network: Arc<Network>,
    ground: &'a Ground,
    fault: Fault,
    store: Arc<Shaky>,
    endplate: Endplate,
    journal: Journal,
    /// How much of the journal is in the chart.
    read: usize,
    chart: Chart,
    voice: Voice,
    courier: Courier,
    seen: usize,
    hospital: Hospital,
    /// Versions that were answered with, and what each says.
    answered: BTreeMap<(String, String, u64), String>,
    /// The latest instant there was: a clock that was set back is behind it.
    latest: Timestamp,
    lived_on: Option<Date>,
    trace: Trace,
}

/// Lives through the world of a seed.
pub async fn run(
    seed: u64,
    ground: &Ground,
    fault: Fault,
    only: Option<Checker>,
) -> Result<Trace, Violation> {
    let mut world = World::new(seed, ground, fault, only);
    world.subscribe().await?;
    for _ in 0..STEPS {
        world.step().await?;
    }
    world.end().await?;
    Ok(world.trace)
}

/// The store of a process, by how many processes there were before it.
fn open(ground: &Ground, journal: &Journal, fault: Fault, seed: u64, before: u64) -> Arc<Shaky> {
    let turns = Dice::of(seed, &format!("turns {before}"));
    Arc::new(Shaky::new(ground.open(), ground.home(), Arc::clone(journal), Flaw::new(fault), turns))
}

fn serve(store: &Arc<Shaky>, clock: &Arc<SimClock>) -> Endplate {
    Endplate::new(store.clone(), clock.clone(), settings()).sweeping(TOGETHER)
}

impl<'a> World<'a> {
    fn new(seed: u64, ground: &'a Ground, fault: Fault, only: Option<Checker>) -> Self {
        let mut dice = Dice::of(seed, "world");
        let (zone, first) = *dice.pick(&CLINICS);
        let ahead_days = if fault == Fault::RunsAhead { 21 } else { 0 };
        let clock = Arc::new(SimClock::at(zone, first, ahead_days));
        let known = Misfortune::ALL.into_iter().filter(|(_, per_mille)| dice.happens(*per_mille));
        let misfortunes = known.map(|(one, _)| one).collect();
        let journal = Journal::default();
        let store = open(ground, &journal, fault, seed, 0);
        let endplate = serve(&store, &clock);
        Self {
            seed,
            dice,
            only,
            misfortunes,
            network: Arc::new(Network::new(seed, Arc::clone(&clock))),
            hospital: Hospital::new(seed, first.parse().unwrap()),
            latest: clock.now(),
            clock,
            ground,
            fault,
            store,
            endplate,
            journal,
            read: 0,
            chart: Chart::default(),
            voice: Voice::default(),
            courier: Courier::default(),
            seen: 0,
            answered: BTreeMap::new(),
            lived_on: None,
            trace: Trace::default(),
        }
    }

    fn held(&self, result: Result<(), Violation>) -> Result<(), Violation> {
        result.or_else(|violation| match self.only {
            Some(only) if only != violation.checker => Ok(()),
            _ => Err(violation),
        })
    }

    fn receivers() -> impl Iterator<Item = &'static str> {
        BY_SEARCH.into_iter().chain([BY_TOPIC.0])
    }

    async fn subscribe(&mut self) -> Result<(), Violation> {
        for kind in BY_SEARCH {
            let one = subscription(kind, kind, &Network::endpoint(kind), true);
            self.write(&Write::Put(one, None)).await?;
        }
        let backport = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition/backport";
        let mut one = subscription(BY_TOPIC.0, "", &Network::endpoint(BY_TOPIC.0), true);
        one["criteria"] = json!(format!("{EP}/SubscriptionTopic/{}", BY_TOPIC.0));
        let of =
            |name: &str, value: &str, what: Json| json!({ "url": format!("{backport}-{name}"), value: what });
        one["channel"]["extension"] = json!([of("max-count", "valuePositiveInt", json!(7))]);
        one["channel"]["_payload"] =
            json!({ "extension": [of("payload-content", "valueCode", json!("id-only"))] });
        self.write(&Write::Put(one, None)).await?;
        self.deliver().await
    }

    /// The clock goes on, things happen, and the service does what it does on its own.
    async fn step(&mut self) -> Result<(), Violation> {
        self.pass_time();
        if self.knows(Misfortune::Storm) && self.dice.happens(250) {
            let all: Vec<&str> = Self::receivers().collect();
            let receiver = *self.dice.pick(&all);
            self.network.change(receiver, &mut self.dice);
        }
        self.set_trap();
        let day = self.clock.day_of(self.clock.now());
        if self.lived_on.is_none_or(|on| on < day) {
            self.lived_on = Some(day);
            self.hospital.live(day, self.clock.now(), &self.chart);
        }
        for letter in self.hospital.post(self.clock.now()) {
            self.take(letter).await?;
        }
        if self.dice.happens(850) {
            self.sweep().await?;
        }
        self.deliver().await?;
        self.store.disarm();
        Ok(())
    }

    /// Waits for something, unless the process ends meanwhile.
    async fn alive<T>(&self, work: impl Future<Output = T>) -> Result<T, Ended> {
        tokio::select! {
            biased;
            done = work => Ok(done),
            () = self.store.ended() => Err(Ended),
        }
    }

    /// Another process starts on what the last one left.
    async fn restart(&mut self) -> Result<(), Violation> {
        self.trace.restarts += 1;
        self.network.note_fault();
        self.store = open(self.ground, &self.journal, self.fault, self.seed, self.trace.restarts);
        self.endplate = serve(&self.store, &self.clock);
        self.absorb()?;
        let kept = self.kept().await;
        self.held(kept)
    }

    /// A letter arrives. Whoever sent it sends it again if the process ended before it answered.
    async fn take(&mut self, letter: Letter) -> Result<(), Violation> {
        match self.write(&letter.write).await? {
            Some(Reason::Unavailable) => {
                let soon = self.clock.now() + SignedDuration::from_mins(5);
                self.hospital.again(letter, soon);
            }
            Some(_) if !matches!(letter.write, Write::Wrong(_)) => {
                self.trace.refused += 1;
                self.hospital.again(letter, self.clock.now());
            }
            _ => {}
        }
        Ok(())
    }

    /// Writes, again and again while the process ends; why it was refused, if it was.
    async fn write(&mut self, write: &Write) -> Result<Option<Reason>, Violation> {
        loop {
            // No two things happen at one instant.
            self.clock.turn(SignedDuration::from_millis(7));
            let before = self.journal.lock().unwrap().len();
            let endplate = self.endplate.clone();
            let Ok(answer) = self.alive(asked(&endplate, write)).await else {
                self.restart().await?;
                continue;
            };
            let left = self.journal.lock().unwrap().len() - before;
            let refused = match answer {
                Ok(all) => {
                    let wrong = ensure(Checker::Kept, !matches!(write, Write::Wrong(_)), || {
                        format!("taken: {write:?}")
                    });
                    self.held(wrong)?;
                    for written in all {
                        self.answer(written).await?;
                    }
                    None
                }
                Err(refusal) => {
                    let reason = refusal.reason;
                    // What others refer to is not deleted (R4 http.html#delete leaves that to the service).
                    let is_kept = matches!(write, Write::Delete(..)) && reason == Reason::Conflict;
                    let is_fault = matches!(reason, Reason::Fault | Reason::Conflict) && !is_kept;
                    let says = || format!("{refusal}, and {left} versions were left of {write:?}");
                    self.held(ensure(Checker::Kept, !is_fault, says))?;
                    // A store that fails may have failed after it was done; then it is not known.
                    let is_whole = left == 0 || reason == Reason::Unavailable;
                    self.held(ensure(Checker::Kept, is_whole, says))?;
                    Some(reason)
                }
            };
            self.absorb()?;
            return Ok(refused);
        }
    }

    /// What was answered is there to be read, as it was answered.
    async fn answer(&mut self, written: Written) -> Result<(), Violation> {
        let Written { kind, id, version, body, deleted, .. } = written;
        if deleted {
            return Ok(());
        }
        let read = self.endplate.read(&kind, &id).await.map(|stored| stored.body);
        let is_there = read.as_ref().is_ok_and(|read| *read == body);
        let kept =
            ensure(Checker::Kept, is_there, || format!("{kind}/{id} was answered {body} and is {read:?}"));
        self.held(kept)?;
        self.answered.insert((kind, id, version), body);
        Ok(())
    }

    async fn sweep(&mut self) -> Result<(), Violation> {
        loop {
            let endplate = self.endplate.clone();
            match self.alive(endplate.sweep(&|_| {})).await {
                Err(Ended) => self.restart().await?,
                Ok(Err(refusal)) => {
                    self.held(ensure(Checker::Kept, refusal.reason == Reason::Unavailable, || {
                        refusal.to_string()
                    }))?;
                    self.network.note_fault();
                    self.absorb()?;
                }
                Ok(Ok(_)) => break,
            }
        }
        self.absorb()?;
        // What follows looks at what is; nothing breaks off meanwhile.
        let trap = self.store.disarm();
        if self.clock.now() >= self.latest {
            let due = checker::due(&self.chart, self.clock.day_of(self.clock.now()));
            self.held(due)?;
        }
        if self.dice.happens(300) {
            let report = self.endplate.sweep(&|_| {}).await;
            let left = self.journal.lock().unwrap().len() - self.read;
            let is_idle = left == 0 && report.as_ref().is_ok_and(|report| report.changed == 0);
            self.held(ensure(Checker::Idle, is_idle, || {
                format!("a second sweep: {report:?}, {}", self.tail())
            }))?;
            self.absorb()?;
        }
        if self.dice.happens(80) && self.clock.now() >= self.latest {
            self.look_at_all().await?;
        }
        if let Some(trap) = trap {
            self.store.set(trap);
        }
        Ok(())
    }

    /// The newest versions that are not in the chart yet, for people.
    fn tail(&self) -> String {
        let journal = self.journal.lock().unwrap();
        let said = |put: &Put| {
            let now: Json = serde_json::from_str(&put.stored.body).unwrap_or_default();
            format!("{now}\n was {:?}", self.chart.get(&put.stored.kind, &put.stored.id).map(Json::to_string))
        };
        journal[self.read..].iter().map(said).collect::<Vec<_>>().join("\n")
    }

    /// A change of a record that means nothing makes the service look at a patient who is not due: nothing follows.
    async fn look_at_all(&mut self) -> Result<(), Violation> {
        let all: Vec<Json> = self.chart.all("Patient").cloned().collect();
        for mut person in all {
            let is_true = person["multipleBirthInteger"] == 1;
            person["multipleBirthInteger"] = json!(if is_true { 2 } else { 1 });
            self.clock.turn(SignedDuration::from_millis(7));
            let answer = asked(&self.endplate, &Write::Put(person, None)).await;
            let left = self.journal.lock().unwrap().len() - self.read;
            let said = || format!("a look at who is not due: {:?}, {}", answer.as_ref().err(), self.tail());
            self.held(ensure(Checker::Idle, answer.is_ok() && left == 1, said))?;
            self.absorb()?;
        }
        Ok(())
    }

    async fn deliver(&mut self) -> Result<(), Violation> {
        loop {
            let (endplate, network) = (self.endplate.clone(), Arc::clone(&self.network));
            match self.alive(endplate.deliver(network.as_ref())).await {
                Err(Ended) => {
                    self.follow_post()?;
                    self.restart().await?;
                }
                Ok(Err(refusal)) => {
                    self.held(ensure(Checker::Kept, refusal.reason == Reason::Unavailable, || {
                        refusal.to_string()
                    }))?;
                    self.follow_post()?;
                    self.network.note_fault();
                }
                Ok(Ok(_)) => break,
            }
        }
        self.follow_post()?;
        self.absorb()?;
        self.latest = self.latest.max(self.clock.now());
        // Somebody sees that a Subscription is in error, and asks for it again.
        let failed: Vec<Json> =
            self.chart.all("Subscription").filter(|one| one["status"] == "error").cloned().collect();
        for mut one in failed {
            if self.dice.happens(300) {
                one["status"] = json!("requested");
                self.write(&Write::Put(one, None)).await?;
            }
        }
        Ok(())
    }

    /// What left since the last time is as it should be.
    fn follow_post(&mut self) -> Result<(), Violation> {
        for sent in self.network.sent_since(self.seen) {
            self.seen += 1;
            tell(
                &format!("{} {} {:?} {}", self.clock.now(), sent.message.event, sent.manner, sent.faults),
                "",
            );
            let seen = self.courier.see(&sent);
            self.held(seen)?;
        }
        Ok(())
    }

    /// Takes in what was committed since the last time, and judges it.
    fn absorb(&mut self) -> Result<(), Violation> {
        let new: Vec<Put> = self.journal.lock().unwrap()[self.read..].to_vec();
        if new.is_empty() {
            return Ok(());
        }
        self.read += new.len();
        for put in &new {
            let Stored { kind, id, version, at, body } = &put.stored;
            tell(&format!("{at} {kind}/{id}/{version}"), body);
        }
        let before: Vec<Option<Json>> = new.iter().map(|put| self.chart.apply(put)).collect();
        // Alerts of a commit before the messages about them.
        let order = |put: &Put| put.stored.kind == "Communication";
        for is_message in [false, true] {
            for (put, before) in new.iter().zip(&before).filter(|(put, _)| order(put) == is_message) {
                match self.voice.hear(&self.chart, put, before.as_ref()) {
                    Ok(false) => {}
                    Ok(true) => {
                        self.trace.alerts += 1;
                        let issue = self.chart.get(&put.stored.kind, &put.stored.id).unwrap();
                        let in_time = checker::raised(&self.chart, issue, self.clock.day_of(put.stored.at));
                        self.held(in_time)?;
                    }
                    Err(violation) => self.held(Err(violation))?,
                }
            }
        }
        self.held(checker::plans(&self.chart))?;
        self.held(checker::causes(&self.chart))?;
        self.held(checker::messages(&self.chart, |at| self.clock.day_of(at)))
    }

    /// The store holds what was committed and nothing else, and all that was answered is among it.
    async fn kept(&self) -> Result<(), Violation> {
        let past = Past { count: usize::MAX >> 1, ..Past::default() };
        let page = self.store.history(&past).await.expect("a history");
        let stored: BTreeMap<(String, String, u64), String> = page
            .versions
            .into_iter()
            .map(|one| ((one.stored.kind, one.stored.id, one.stored.version), one.stored.body))
            .collect();
        // Protocols that plans follow are kept for the service itself, and are in no history.
        let journal = self.journal.lock().unwrap();
        let journal: Vec<&Put> = journal.iter().filter(|put| put.stored.kind != "Library").collect();
        for put in &journal {
            let key = (put.stored.kind.clone(), put.stored.id.clone(), put.stored.version);
            let is_there = stored.get(&key) == Some(&put.stored.body);
            ensure(Checker::Kept, is_there, || {
                format!("{key:?} was committed and is {:?}", stored.get(&key))
            })?;
        }
        ensure(Checker::Kept, stored.len() == journal.len(), || {
            format!("{} versions were committed and {} are there", journal.len(), stored.len())
        })?;
        for (key, body) in &self.answered {
            let is_there = stored.get(key) == Some(body);
            ensure(Checker::Kept, is_there, || format!("{key:?} was answered and is {:?}", stored.get(key)))?;
        }
        Ok(())
    }

    /// Everything is well again, and what waits goes.
    async fn end(&mut self) -> Result<(), Violation> {
        self.network.calm();
        self.store.disarm();
        self.clock.turn(self.latest.duration_since(self.clock.now()).max(SignedDuration::ZERO));
        for round in 0..60 {
            self.sweep().await?;
            for mut one in self.chart.all("Subscription").cloned().collect::<Vec<_>>() {
                if one["status"] == "error" {
                    one["status"] = json!("requested");
                    self.write(&Write::Put(one, None)).await?;
                }
            }
            self.deliver().await?;
            let standing = self.endplate.receivers(None, 99).await.expect("receivers");
            if standing.iter().all(|one| one.waiting + one.dead == 0) {
                break;
            }
            let is_over = round < 59;
            self.held(ensure(Checker::InOrder, is_over, || format!("it does not end: {standing:?}")))?;
            if standing.iter().all(|one| one.waiting == 0) {
                self.courier.replayed();
                let dead = Replay { dead: true, ..Replay::default() };
                self.endplate.replay(&dead).await.expect("replayed");
            }
            self.clock.turn(SignedDuration::from_hours(5));
            self.latest = self.latest.max(self.clock.now());
        }
        self.sweep().await?;
        self.deliver().await?;
        self.look_at_all().await?;
        self.deliver().await?;
        for kind in BY_SEARCH {
            let told = self.courier.ended(kind, self.chart.versions(&[kind]));
            self.held(told)?;
        }
        let told = self.courier.ended(BY_TOPIC.0, self.chart.versions(&BY_TOPIC.1));
        self.held(told)?;
        self.restart().await?;
        self.leave();
        Ok(())
    }

    fn leave(&mut self) {
        let mut hasher = DefaultHasher::new();
        let journal = self.journal.lock().unwrap();
        for put in journal.iter() {
            let one = &put.stored;
            (&one.kind, &one.id, one.version, one.at.as_millisecond(), &one.body).hash(&mut hasher);
        }
        let sent = self.network.sent_since(0);
        for one in &sent {
            (&one.receiver, &one.message.event, &one.message.body, format!("{:?}", one.manner))
                .hash(&mut hasher);
        }
        let first = journal.first().map_or(self.latest, |put| put.stored.at);
        self.trace = Trace {
            digest: hasher.finish(),
            days: self.latest.duration_since(first).as_hours() / 24,
            versions: journal.len(),
            sent: sent.len(),
            ..self.trace
        };
    }
}

/// Prints what happens where it holds the text that `SIM_TELL` asks for.
fn tell(what: &str, body: &str) {
    if std::env::var("SIM_TELL").is_ok_and(|text| what.contains(&text) || body.contains(&text)) {
        println!("{what} {body}");
    }
}

/// Puts one request to the service.
async fn asked(endplate: &Endplate, write: &Write) -> Result<Vec<Written>, Refusal> {
    let named = |resource: &Json| {
        let part = |name: &str| resource[name].as_str().unwrap().to_owned();
        (part("resourceType"), part("id"))
    };
    match write {
        Write::Put(resource, version) => {
            let (kind, id) = named(resource);
            let version = version.map(|version| version.to_string());
            endplate.update(&kind, &id, resource.clone(), version.as_deref()).await.map(|one| vec![one])
        }
        Write::Wrong(resource) => {
            let (kind, id) = named(resource);
            endplate.update(&kind, &id, resource.clone(), None).await.map(|one| vec![one])
        }
        Write::Delete(kind, id) => {
            let entry = Entry::alone(Method::Delete, kind, Address::Id(id.clone()), Json::Null);
            endplate.write(entry).await.map(|one| vec![one])
        }
        Write::Transaction(records) => {
            let entry = |one: &Json| {
                let (kind, id) = named(one);
                json!({ "resource": one, "request": { "method": "PUT", "url": format!("{kind}/{id}") } })
            };
            let entries: Vec<Json> = records.iter().map(entry).collect();
            let bundle = json!({ "resourceType": "Bundle", "type": "transaction", "entry": entries });
            endplate.transaction(bundle).await.map(|_| Vec::new())
        }
    }
}
