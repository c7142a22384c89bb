//! Resources -> repairs, findings, visits and bookings. The only reader of their meaning.

mod assumption;
mod example;
pub mod finding;
pub mod modifier;
pub mod repair;

use crate::answer;
use crate::derivation::is_test;
use crate::dossier::{Dossier, local};
use crate::element::{self, items, name_of, period, text, timing};
use crate::identity;
use endplate_fhir::issue::{Code, Issue};
use endplate_fhir::{Json, reference};
use endplate_recovery::alert::Previous;
use endplate_recovery::assessment::Finding;
use endplate_recovery::episode::{Booking, Episode, Followed};
use endplate_recovery::repair::{Place, Repair, RepairedNerve};
use endplate_recovery::unit::{Date, DateRange};
use finding::NerveName;
use std::collections::{BTreeMap, BTreeSet};

/// Everything that the records of one patient mean.
#[derive(Clone, Debug, Default)]
pub struct Intake {
    /// `Patient/…`.
    pub patient: String,
    /// Whether the patient has died.
    pub dead: bool,
    /// The injuries with repairs, in order of their key.
    pub injuries: Vec<Injury>,
    /// Findings that could be assigned to no repair or to more than one, `Observation/…`.
    pub unassigned: Vec<String>,
    /// What is wrong, each with the resource it concerns, `Type/id`.
    pub problems: Vec<(String, Issue)>,
}

/// One injury: its episode as the model sees it, and the resources behind it.
#[derive(Clone, Debug)]
pub struct Injury {
    /// What identifies it for ever.
    pub key: String,
    /// Id of its CarePlan.
    pub plan: String,
    /// `Condition/…`, if there is one.
    pub condition: Option<String>,
    /// The facts for the model. Empty of repairs if all of them were withdrawn.
    pub episode: Episode,
    /// The Procedure behind each repair, in the same order.
    pub procedures: Vec<ProcedureRecord>,
    /// What had to be assumed, for people.
    pub assumptions: Vec<String>,
    /// Booked reviews: key of the review, and the Appointment if there is one.
    pub appointments: BTreeMap<String, String>,
    /// Reviews to which the patient did not come and that are not booked again.
    pub missed: Vec<(String, Date)>,
    /// Reviews that were attended, as far as somebody says so: key of the review and the day.
    pub attended: BTreeMap<String, Date>,
    /// Who says that a review was held: key of the review, and `Encounter/…` or `Appointment/…`.
    pub held: BTreeMap<String, BTreeSet<String>>,
    /// `Procedure/…` that no longer count: not done, or entered in error.
    pub withdrawn: Vec<String>,
    /// Alerts as they were.
    pub previous: Vec<Previous>,
    /// Whether a clinician has ended the plan.
    pub ended: bool,
}

/// The Procedure behind a repair.
#[derive(Clone, Debug)]
pub struct ProcedureRecord {
    /// `Procedure/…`.
    pub reference: String,
    /// What identifies it for ever.
    pub name: String,
    /// Who did it: references as recorded.
    pub performers: Vec<Json>,
    /// Its security labels.
    pub security: Vec<Json>,
    /// Its tags that say it is test data.
    pub test_tags: Vec<Json>,
}

/// A repair with where it belongs.
struct Placed {
    injury: String,
    condition: Option<String>,
    injured: DateRange,
    assumed: bool,
    repair: Repair,
    record: ProcedureRecord,
}

/// Reads everything recorded of one patient. `today` is the clinic's date, `base` the address of this service.
pub fn read(dossier: &Dossier, patient: &str, today: Date, base: &str) -> Intake {
    let mut reader =
        Reader { dossier, today, base, birth: None, problems: Vec::new(), unassigned: Vec::new() };
    let reference = format!("Patient/{patient}");
    // The surviving record says when the patient was born; where it does not, one that it replaces.
    let records = || dossier.resolve(&reference).into_iter().chain(dossier.all("Patient"));
    reader.birth = records().find_map(|patient| text(patient, &["birthDate"]).and_then(element::range));
    let mut injuries = reader.injuries(patient);
    reader.findings(&mut injuries);
    for injury in &mut injuries {
        reader.workflow(injury);
    }
    Intake {
        dead: dossier.all("Patient").any(is_dead),
        patient: reference,
        injuries,
        unassigned: reader.unassigned,
        problems: reader.problems,
    }
}

fn is_dead(patient: &Json) -> bool {
    patient.get("deceasedBoolean").and_then(Json::as_bool) == Some(true)
        || patient.get("deceasedDateTime").is_some()
}

struct Reader<'a> {
    dossier: &'a Dossier,
    today: Date,
    base: &'a str,
    birth: Option<DateRange>,
    problems: Vec<(String, Issue)>,
    unassigned: Vec<String>,
}

impl Reader<'_> {
    fn wrong(&mut self, resource: &Json, code: Code, expression: &str, text: &str) {
        self.problems.push((element::reference_of(resource), Issue::error(code, expression, text)));
    }

    /// A date must not lie in the future nor before birth; says so and returns false if it does.
    fn is_lived(&mut self, resource: &Json, on: DateRange, expression: &str) -> bool {
        if on.earliest > self.today {
            self.wrong(
                resource,
                Code::Value,
                expression,
                "This date is in the future; send the date on which it was done.",
            );
            return false;
        }
        if self.birth.is_some_and(|birth| on.latest < birth.earliest) {
            let text = "This date is before the patient's birth; correct it or Patient.birthDate.";
            self.wrong(resource, Code::Value, expression, text);
            return false;
        }
        true
    }

    /// Whether the resource holds a modifier extension, which may turn its meaning round; says so, and it must not be used.
    fn is_modified(&mut self, resource: &Json) -> bool {
        let found = modifier::issues(resource);
        let reference = element::reference_of(resource);
        let modified = !found.is_empty();
        self.problems.extend(found.into_iter().map(|issue| (reference.clone(), issue)));
        modified
    }

    fn injuries(&mut self, patient: &str) -> Vec<Injury> {
        let dossier = self.dossier;
        let mut placed: Vec<Placed> = Vec::new();
        let mut withdrawn: Vec<(String, Option<String>, Option<String>)> = Vec::new();
        for procedure in dossier.all("Procedure") {
            let reference = element::reference_of(procedure);
            let technique = repair::technique(procedure);
            // No repair, or no longer one: what was once planned for it ends.
            let Some(done) = technique.filter(|_| repair::is_done(procedure)) else {
                let (key, condition) = self.injury_key(procedure, patient);
                withdrawn.push((key, condition, technique.map(|_| reference)));
                continue;
            };
            if self.is_modified(procedure) {
                continue;
            }
            match repair::read(procedure, done, self.birth) {
                Ok(repair) => placed.extend(self.place(procedure, repair, patient)),
                Err(issues) => {
                    let (key, condition) = self.injury_key(procedure, patient);
                    withdrawn.push((key, condition, Some(reference.clone())));
                    self.problems.extend(issues.into_iter().map(|issue| (reference.clone(), issue)));
                }
            }
        }
        let mut groups: BTreeMap<String, (Option<String>, Vec<Placed>)> = BTreeMap::new();
        let mut ended: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for (key, condition, reference) in withdrawn {
            ended.entry(key.clone()).or_default().extend(reference);
            groups.entry(key).or_insert((condition, Vec::new()));
        }
        for one in placed {
            let group = groups.entry(one.injury.clone()).or_insert((one.condition.clone(), Vec::new()));
            group.1.push(one);
        }
        let mut injury = |(key, (condition, placed)): (String, (Option<String>, Vec<Placed>))| {
            let withdrawn = ended.remove(&key).unwrap_or_default();
            Injury { withdrawn, ..self.injury(key, condition, placed) }
        };
        // An injury whose repairs were all withdrawn matters only if it ever had a plan.
        groups
            .into_iter()
            .map(&mut injury)
            .filter(|i| !i.procedures.is_empty() || self.stored_plan(i).is_some())
            .collect()
    }

    /// What holds repairs of one injury together: the Condition, else the operation, else patient and date.
    fn injury_key(&self, procedure: &Json, patient: &str) -> (String, Option<String>) {
        let first = |name: &str| items(procedure, name).find_map(|reference| local(reference, self.base));
        if let Some(condition) = first("reasonReference").filter(|to| to.starts_with("Condition/")) {
            let name = self.dossier.resolve(&condition).map_or_else(|| condition.clone(), name_of);
            return (format!("injury {name}"), Some(condition));
        }
        if let Some(operation) = first("partOf") {
            let name = self.dossier.resolve(&operation).map_or_else(|| operation.clone(), name_of);
            return (format!("operation {name}"), None);
        }
        // Of the record that it names, so that the key stays when that record is merged into another.
        let own = reference::patient_of(procedure, self.base);
        let patient = own.as_deref().unwrap_or(patient);
        let patient =
            self.dossier.get("Patient", patient).map_or_else(|| patient.to_owned(), |p| name_of(&p.resource));
        let on = timing(procedure, "performed").map_or_else(String::new, |on| on.latest.to_string());
        (format!("patient {patient} on {on}"), None)
    }

    fn place(&mut self, procedure: &Json, repair: Repair, patient: &str) -> Option<Placed> {
        if !self.is_lived(procedure, repair.operated, "Procedure.performed") {
            return None;
        }
        let (injury, condition) = self.injury_key(procedure, patient);
        let record = condition.as_deref().and_then(|condition| self.dossier.resolve(condition));
        let injured = record.and_then(|condition| timing(condition, "onset"));
        if let Some(condition) = record
            && self.is_modified(condition)
        {
            self.wrong(procedure, Code::Extension, "Procedure.reasonReference", modifier::OF_CONDITION);
            return None;
        }
        if let (Some(condition), Some(injured)) = (record, injured) {
            if !self.is_lived(condition, injured, "Condition.onset") {
                return None;
            }
            if injured.earliest > repair.operated.latest {
                let text = "The injury (Condition.onset) is dated after its repair (Procedure.performed); correct one of them.";
                self.wrong(condition, Code::BusinessRule, "Condition.onset", text);
                self.wrong(procedure, Code::BusinessRule, "Procedure.reasonReference", text);
                return None;
            }
        }
        let reference = element::reference_of(procedure);
        let labels =
            |name: &str| procedure.get("meta").map(|meta| items(meta, name)).into_iter().flatten().cloned();
        let (security, tags) = (labels("security").collect(), labels("tag"));
        let performers =
            items(procedure, "performer").filter_map(|performer| performer.get("actor")).cloned().collect();
        Some(Placed {
            injury,
            condition,
            injured: injured.unwrap_or(repair.operated),
            assumed: injured.is_none(),
            record: ProcedureRecord {
                reference,
                name: name_of(procedure),
                performers,
                security,
                test_tags: tags.filter(is_test).collect(),
            },
            repair,
        })
    }

    fn injury(&self, key: String, condition: Option<String>, mut placed: Vec<Placed>) -> Injury {
        placed.sort_by(|a, b| {
            (a.repair.operated.latest, &a.record.name).cmp(&(b.repair.operated.latest, &b.record.name))
        });
        let injured = placed.iter().map(|one| one.injured).min_by_key(|injured| injured.earliest);
        let plan = identity::id("CarePlan", &[&key]);
        let stored = self.dossier.get("CarePlan", &plan).map(|entry| &entry.resource);
        let created = stored.and_then(|plan| text(plan, &["created"])).and_then(element::range);
        let mut assumptions = Vec::new();
        if placed.iter().any(|one| one.assumed) {
            assumptions.push(
                "No date of injury is recorded; the date of the first operation counts as the injury."
                    .to_owned(),
            );
        }
        for one in &placed {
            assumptions.extend(assumption::of(&one.repair));
        }
        if let Some(injured) = injured.filter(|injured| !injured.is_exact()) {
            assumptions.push(format!(
                "The date of injury is known only to lie between {} and {}; the denervation clock starts on the earlier.",
                injured.earliest, injured.latest
            ));
        }
        let (repairs, procedures) = placed
            .into_iter()
            .map(|one| (Followed { repair: one.repair, findings: Vec::new() }, one.record))
            .unzip();
        Injury {
            plan,
            key,
            condition,
            episode: Episode {
                injured: injured.unwrap_or(DateRange::exact(self.today)),
                repairs,
                visits: Vec::new(),
                bookings: Vec::new(),
                closed: Vec::new(),
                known_since: created.map_or(self.today, |created| created.earliest),
            },
            procedures,
            assumptions,
            appointments: BTreeMap::new(),
            missed: Vec::new(),
            attended: BTreeMap::new(),
            held: BTreeMap::new(),
            withdrawn: Vec::new(),
            previous: Vec::new(),
            ended: stored.is_some_and(ended_by_clinician),
        }
    }

    fn stored_plan(&self, injury: &Injury) -> Option<&Json> {
        self.dossier.get("CarePlan", &injury.plan).map(|entry| &entry.resource)
    }

    /// Assigns each finding to its repair.
    fn findings(&mut self, injuries: &mut [Injury]) {
        let dossier = self.dossier;
        for observation in dossier.all("Observation") {
            let Some(kind) = finding::kind(observation).filter(|_| finding::counts(observation)) else {
                continue;
            };
            if self.is_modified(observation) {
                continue;
            }
            let read = match finding::read(observation, kind) {
                Ok(read) => read,
                Err(issues) => {
                    let reference = element::reference_of(observation);
                    self.problems.extend(issues.into_iter().map(|issue| (reference.clone(), issue)));
                    continue;
                }
            };
            if self.is_lived(observation, read.on, "Observation.effective") {
                self.assign(observation, read, injuries);
            }
        }
    }

    fn assign(&mut self, observation: &Json, read: finding::Read, injuries: &mut [Injury]) {
        let focus = read.focus.as_ref().and_then(|focus| reference::parse(focus, self.base));
        let focus = focus.map(|target| format!("{}/{}", target.kind, target.id));
        let mut fits: Vec<(usize, usize)> = Vec::new();
        for (i, injury) in injuries.iter().enumerate() {
            for (k, record) in injury.procedures.iter().enumerate() {
                let chosen = match &focus {
                    Some(focus) => *focus == record.reference,
                    None => suits(&injury.episode, k, &read),
                };
                if chosen {
                    fits.push((i, k));
                }
            }
        }
        let [(i, k)] = fits[..] else {
            self.unassigned.push(read.reference);
            return;
        };
        let Some(followed) = injuries.get_mut(i).and_then(|injury| injury.episode.repairs.get_mut(k)) else {
            return;
        };
        if read.on.latest < followed.repair.operated.earliest {
            let text = "This finding is dated before the operation it is about (Procedure.performed); correct the date, or leave focus out for an examination before the operation.";
            self.wrong(observation, Code::BusinessRule, "Observation.effective", text);
            return;
        }
        followed.findings.push(Finding { id: read.reference, on: read.on.latest, sign: read.sign });
    }

    /// Visits, bookings, what the scheduler says, alerts as they were.
    fn workflow(&mut self, injury: &mut Injury) {
        let dossier = self.dossier;
        let reviews = self.review_keys(&injury.plan);
        let mut visits: Vec<Date> = injury
            .episode
            .repairs
            .iter()
            .flat_map(|followed| &followed.findings)
            .map(|finding| finding.on)
            .collect();
        let mut booked: BTreeMap<String, (Date, Option<String>)> = BTreeMap::new();
        let mut missed: BTreeMap<String, Date> = BTreeMap::new();
        self.scheduler(&reviews, injury, &mut booked);
        for appointment in dossier.all("Appointment") {
            let Some(key) = self.review_of(appointment, &reviews).filter(|_| !self.is_modified(appointment))
            else {
                continue;
            };
            let Some(on) = text(appointment, &["start"]).and_then(element::range).map(|on| on.earliest)
            else {
                continue;
            };
            match text(appointment, &["status"]) {
                Some("booked" | "arrived" | "checked-in") => {
                    let reference = element::reference_of(appointment);
                    let later = booked.get(&key).is_none_or(|(other, _)| *other <= on);
                    if later {
                        booked.insert(key, (on, Some(reference)));
                    }
                }
                Some("noshow") => {
                    let last = missed.get(&key).copied().map_or(on, |other| other.max(on));
                    missed.insert(key, last);
                }
                Some("fulfilled") => {
                    injury.held.entry(key.clone()).or_default().insert(element::reference_of(appointment));
                    injury.attended.insert(key, on);
                }
                _ => {}
            }
        }
        for encounter in dossier.all("Encounter") {
            let Some(key) = self.review_of(encounter, &reviews).filter(|_| !self.is_modified(encounter))
            else {
                continue;
            };
            let on = encounter.get("period").and_then(period).map(|on| on.latest);
            if let (Some("finished"), Some(on)) = (text(encounter, &["status"]), on) {
                injury.held.entry(key.clone()).or_default().insert(element::reference_of(encounter));
                injury.attended.insert(key, on);
            }
        }
        self.implied(&reviews, injury, &visits);
        visits.extend(injury.attended.values());
        visits.retain(|on| *on <= self.today);
        visits.sort_unstable();
        visits.dedup();
        booked.retain(|key, (on, _)| {
            !injury.attended.contains_key(key) && missed.get(key).is_none_or(|missed| *on > *missed)
        });
        missed.retain(|key, _| !injury.attended.contains_key(key) && !booked.contains_key(key));
        injury.episode.closed = injury.attended.keys().cloned().collect();
        injury.episode.visits = visits;
        injury.episode.bookings =
            booked.iter().map(|(review, (on, _))| Booking { review: review.clone(), on: *on }).collect();
        injury.appointments =
            booked.into_iter().filter_map(|(key, (_, by))| by.map(|by| (key, by))).collect();
        injury.missed = missed.into_iter().collect();
        let issues = self.dossier.all("DetectedIssue");
        let previous = |issue| answer::previous(issue, &injury.plan, dossier, self.today);
        injury.previous = issues.filter_map(previous).collect();
    }

    /// Reviews that were closed by an examination nobody booked, for as long as that examination is on record.
    fn implied(&self, reviews: &BTreeMap<String, String>, injury: &mut Injury, examined: &[Date]) {
        for task in self.dossier.all("Task") {
            let focus = task.get("focus").and_then(|focus| local(focus, self.base));
            let Some(key) = focus.and_then(|focus| reviews.get(&focus)) else { continue };
            let on = task.get("executionPeriod").and_then(period).map(|on| on.latest);
            if let (Some("completed"), Some(on)) =
                (text(task, &["status"]), on.filter(|on| examined.contains(on)))
            {
                injury.attended.entry(key.clone()).or_insert(on);
            }
        }
    }

    /// What the scheduler says on the Task itself, where no Appointment or Encounter does.
    fn scheduler(
        &self,
        reviews: &BTreeMap<String, String>,
        injury: &mut Injury,
        booked: &mut BTreeMap<String, (Date, Option<String>)>,
    ) {
        for task in self.dossier.all("Task") {
            let focus = task.get("focus").and_then(|focus| local(focus, self.base));
            let Some(key) = focus.and_then(|focus| reviews.get(&focus).cloned()) else { continue };
            let Some(said) = element::extensions(task, "scheduler-said").next() else { continue };
            let part = |name: &str| {
                element::parts(said, name).next().and_then(element::value).and_then(Json::as_str)
            };
            let on = part("date").and_then(element::range).map(|on| on.latest);
            match (part("state"), on) {
                (Some("booked"), Some(on)) => {
                    booked.insert(key, (on, None));
                }
                (Some("attended"), Some(on)) => {
                    injury.attended.insert(key, on);
                }
                _ => {}
            }
        }
    }

    /// The reviews of a plan that were ever asked for: `ServiceRequest/…` to key.
    fn review_keys(&self, plan: &str) -> BTreeMap<String, String> {
        let key = |request: &Json| {
            let value = ours(request, "review")?;
            let key = value.strip_prefix(plan)?.strip_prefix('/')?;
            Some((element::reference_of(request), key.to_owned()))
        };
        self.dossier.all("ServiceRequest").filter_map(key).collect()
    }

    fn review_of(&self, resource: &Json, reviews: &BTreeMap<String, String>) -> Option<String> {
        let request = |reference: &Json| reviews.get(&local(reference, self.base)?).cloned();
        // Only a ServiceRequest may stand in basedOn; a scheduler that knows the Task alone names it in supportingInformation.
        let task =
            |reference: &Json| request(self.dossier.resolve(&local(reference, self.base)?)?.get("focus")?);
        let told = items(resource, "basedOn").find_map(request);
        told.or_else(|| items(resource, "supportingInformation").find_map(task))
    }
}

/// The value of our own identifier of this name.
pub fn ours(resource: &Json, name: &str) -> Option<String> {
    let system = crate::code::identifier(name);
    let identifier = items(resource, "identifier").find(|one| text(one, &["system"]) == Some(&system))?;
    text(identifier, &["value"]).map(str::to_owned)
}

/// Whether repair `index` is what a finding without focus is about: its nerve or one of its targets, done by then, and not
/// taken over by a later operation done by then.
fn suits(episode: &Episode, index: usize, read: &finding::Read) -> bool {
    let Some(Followed { repair, .. }) = episode.repairs.get(index) else { return false };
    let nerve = |name: &NerveName| match (name, &repair.nerve) {
        (NerveName::Known(a), RepairedNerve::Known(b)) => a == b,
        (NerveName::Named(a), RepairedNerve::Named(b)) => a == b,
        _ => false,
    };
    let place = read.sign.place();
    let about = match place {
        Some(place) => repair.targets.iter().any(|target| target.place == *place),
        None => read.nerve.as_ref().is_some_and(nerve),
    };
    let done =
        |k: usize| episode.repairs.get(k).is_some_and(|f| f.repair.operated.earliest <= read.on.latest);
    let first = repair.targets.first().map(|target| &target.place);
    let over = |place: &Place| episode.taken_over_by(index, place).is_some_and(done);
    about && repair.technique.regenerates() && done(index) && !place.or(first).is_some_and(over)
}

/// Whether a stored plan was ended by a clinician rather than by what happened to its records.
fn ended_by_clinician(plan: &Json) -> bool {
    let ended = matches!(text(plan, &["status"]), Some("completed" | "revoked"));
    let by_record = plan
        .get("meta")
        .is_some_and(|meta| items(meta, "tag").any(|tag| text(tag, &["code"]) == Some("ended-by-record")));
    ended && !by_record
}
