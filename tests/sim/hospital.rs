//! The people of a world: patients with their injuries, the clinic that books and examines them, and the record system that sends
//! all of it, now and then late, twice, or out of order.

use crate::chart::Chart;
use crate::clinic::{
    EP, appointment, code, encounter, gap, injury, motor, patient, repair, sudomotor, target, text, tinel,
    with,
};
use crate::dice::Dice;
use endplate_fhir::Json;
use jiff::civil::Date;
use jiff::{SignedDuration, Span, Timestamp};
use serde_json::json;

/// A nerve with what lies on its way: muscles, and skin, each with its path in mm. Invented cases.
struct Site {
    nerve: &'static str,
    muscles: &'static [(&'static str, f64)],
    skin: &'static [(&'static str, f64)],
}

const SITES: [Site; 5] = [
    Site {
        nerve: "posterior-interosseous",
        muscles: &[("extensor-digitorum", 80.0), ("extensor-indicis", 160.0)],
        skin: &[],
    },
    Site {
        nerve: "median",
        muscles: &[("abductor-pollicis-brevis", 90.0)],
        skin: &[("thumb-and-index-pulp", 120.0)],
    },
    Site { nerve: "ulnar", muscles: &[("first-dorsal-interosseous", 110.0)], skin: &[] },
    Site { nerve: "ulnar", muscles: &[("first-dorsal-interosseous", 390.0)], skin: &[] },
    Site { nerve: "digital", muscles: &[], skin: &[("digit-pulp", 40.0)] },
];

/// What is asked of the service.
#[derive(Clone, Debug)]
pub enum Write {
    /// An update, with the version that it corrects.
    Put(Json, Option<u64>),
    /// All of it or nothing.
    Transaction(Vec<Json>),
    Delete(String, String),
    /// An update that breaks a rule, and must be refused.
    Wrong(Json),
}

/// Something on its way to the service.
#[derive(Clone, Debug)]
pub struct Letter {
    pub write: Write,
    pub at: Timestamp,
    /// How often it was refused.
    pub tries: u32,
}

struct Case {
    number: usize,
    site: &'static Site,
    starts_on: Date,
    /// mm a day; none: the front stops in the repair.
    rate: Option<f64>,
    operations: u32,
    count: u32,
}

/// The hospital.
pub struct Hospital {
    dice: Dice,
    cases: Vec<Case>,
    post: Vec<Letter>,
    now: Timestamp,
    /// Whether letters are delayed, doubled and overtaken.
    is_orderly: bool,
}

impl Hospital {
    pub fn new(seed: u64, first: Date) -> Self {
        let mut dice = Dice::of(seed, "hospital");
        let count = dice.between(1, 2);
        let cases = (0..count)
            .map(|number| Case {
                number: number as usize,
                site: dice.pick(&SITES),
                starts_on: first.saturating_add(Span::new().days(dice.between(0, 60))),
                rate: (!dice.happens(350)).then(|| dice.between(8, 18) as f64 / 10.0),
                operations: 1,
                count: 0,
            })
            .collect();
        let is_orderly = dice.happens(300);
        Self { dice, cases, post: Vec::new(), now: Timestamp::MIN, is_orderly }
    }

    /// The letters that are there by now, in order of arrival.
    pub fn post(&mut self, now: Timestamp) -> Vec<Letter> {
        self.post.sort_by_key(|letter| letter.at);
        let late = self.post.iter().position(|letter| letter.at > now).unwrap_or(self.post.len());
        self.post.drain(..late).collect()
    }

    /// Sends a letter that was not taken once more, later; a record system gives up in the end.
    pub fn again(&mut self, letter: Letter, now: Timestamp) {
        if letter.tries < 6 {
            let at = now + SignedDuration::from_hours(1 << letter.tries.min(9));
            self.post.push(Letter { at, tries: letter.tries + 1, ..letter });
        }
    }

    fn send(&mut self, write: Write) {
        let mut delay_s = 0;
        if !self.is_orderly {
            delay_s = match self.dice.between(0, 9) {
                0..=6 => 0,
                7 | 8 => self.dice.between(1, 7_200),
                _ => self.dice.between(7_200, 20 * 86_400),
            };
            if self.dice.happens(80) {
                let at = self.now + SignedDuration::from_secs(self.dice.between(1, 86_400));
                self.post.push(Letter { write: write.clone(), at, tries: 0 });
            }
        }
        let at = self.now + SignedDuration::from_secs(delay_s);
        self.post.push(Letter { write, at, tries: 0 });
    }

    fn put(&mut self, resource: Json) {
        self.send(Write::Put(resource, None));
    }

    /// A day at the clinic.
    pub fn live(&mut self, day: Date, now: Timestamp, chart: &Chart) {
        self.now = now;
        for index in 0..self.cases.len() {
            if day >= self.cases[index].starts_on {
                self.follow(index, day, chart);
            }
        }
    }

    fn name(&self, index: usize, kind: &str) -> String {
        format!("{kind}{}", self.cases[index].number)
    }

    fn admit(&mut self, index: usize, day: Date) {
        let (person, hurt) = (self.name(index, "p"), self.name(index, "c"));
        let born = day.saturating_sub(Span::new().years(self.dice.between(5, 70))).to_string();
        let injured = day.saturating_sub(Span::new().days(self.dice.between(0, 90))).to_string();
        let mut procedure = self.operation(index, 1, day);
        if self.dice.happens(500) {
            procedure["performer"] = json!([{ "actor": { "display": "Surgeon Heath" } }]);
        }
        let records = vec![patient(&person, &born), injury(&hurt, &person, &injured), procedure];
        self.cases[index].count = 1;
        if self.dice.happens(500) {
            self.send(Write::Transaction(records));
        } else {
            for record in records {
                self.put(record);
            }
        }
    }

    fn operation(&mut self, index: usize, number: u32, day: Date) -> Json {
        let (person, hurt) = (self.name(index, "p"), self.name(index, "c"));
        let id = format!("{}-{number}", self.name(index, "r"));
        let site = self.cases[index].site;
        let technique =
            *self.dice.pick(&["autograft", "direct-coaptation", "conduit", "processed-allograft"]);
        let mut extensions = vec![gap(self.dice.between(5, 60) as f64)];
        if technique == "direct-coaptation" {
            extensions.clear();
        }
        extensions.extend(site.muscles.iter().chain(site.skin).map(|(place, path)| target(place, *path)));
        repair(&id, &person, &hurt, technique, site.nerve, &day.to_string(), &extensions)
    }

    fn follow(&mut self, index: usize, day: Date, chart: &Chart) {
        if self.cases[index].count == 0 {
            return self.admit(index, day);
        }
        let person = self.name(index, "p");
        let Some(record) = chart.get("Patient", &person).cloned() else { return };
        let condition = format!("Condition/{}", self.name(index, "c"));
        let repairs: Vec<Json> = chart.repairs_of(&condition).into_iter().cloned().collect();
        if let Some(plan) = chart.plan_of(&condition) {
            for task in chart.open_tasks(plan).cloned().collect::<Vec<_>>() {
                self.schedule(index, day, &task, chart);
            }
            self.answer(day, plan, chart);
            self.decide(day, plan, &repairs);
        }
        if let Some(last) = repairs.last() {
            if self.dice.happens(30) {
                self.examine(index, day, text(last, "/id"), last);
            }
            self.operate(index, day, last);
        }
        self.correct(&person, day, chart);
        self.happen(index, day, &record);
        self.err(index, day);
    }

    /// Books reviews that open soon, and sees what comes of those that are booked.
    fn schedule(&mut self, index: usize, day: Date, task: &Json, chart: &Chart) {
        let opens: Date = text(task, "/restriction/period/start").parse().unwrap();
        let id = text(task, "/id");
        let on = text(task, "/input/0/valueDate").to_owned();
        let person = text(task, "/for/reference").trim_start_matches("Patient/").to_owned();
        let is_near = opens.saturating_sub(Span::new().days(20)) <= day;
        match text(task, "/businessStatus/coding/0/code") {
            "to-book" | "missed" if is_near && self.dice.happens(550) => {
                let later = day.saturating_add(Span::new().days(self.dice.between(1, 30)));
                let on = if on.parse::<Date>().unwrap() > day && !self.dice.happens(150) {
                    on
                } else {
                    later.to_string()
                };
                if self.dice.happens(200) {
                    let mut said = with(task, "businessStatus", code("review-state", "booked"));
                    said["input"][0]["valueDate"] = json!(on);
                    self.put(said);
                } else {
                    self.put(appointment(&format!("a-{id}"), &person, task, "booked", &on));
                }
            }
            "booked" | "moved" if on.parse::<Date>().unwrap() <= day => {
                let appointed = appointment(&format!("a-{id}"), &person, task, "booked", &on);
                match self.dice.between(0, 99) {
                    0..=69 => {
                        if self.dice.happens(500) {
                            self.put(with(&appointed, "status", json!("fulfilled")));
                        } else {
                            self.put(encounter(&format!("e-{id}"), &person, task, "finished", &on));
                        }
                        let condition = format!("Condition/{}", self.name(index, "c"));
                        if let Some(last) = chart.repairs_of(&condition).last().map(|one| (*one).clone()) {
                            self.examine(index, on.parse().unwrap(), text(&last, "/id"), &last);
                        }
                    }
                    70..=84 => self.put(with(&appointed, "status", json!("noshow"))),
                    85..=89 => self.put(with(&appointed, "status", json!("cancelled"))),
                    _ => {}
                }
            }
            _ if self.dice.happens(37) => {
                let note = json!([{ "text": format!("call {}", self.dice.between(1, 9)) }]);
                self.put(with(task, "note", note));
            }
            _ => {}
        }
    }

    /// What is found at an examination; sent together.
    fn examine(&mut self, index: usize, on: Date, procedure: &str, repair: &Json) {
        let operated: Date = text(repair, "/performedDateTime").parse().unwrap();
        if on < operated {
            return;
        }
        let Case { site, rate, number, .. } = self.cases[index];
        let person = format!("p{number}");
        let days = on.since(operated).unwrap().get_days();
        let day = on.to_string();
        // Days since axons came to a place, and how far they are.
        let since = |path: f64| rate.map_or(-1.0, |rate| f64::from(days - 28) - path / rate);
        let front = rate.map_or(5.0, |rate| (f64::from(days - 28) * rate).max(0.0));
        let mut found = Vec::new();
        for (muscle, path) in site.muscles {
            let mut grade = [60.0, 90.0, 120.0, 300.0].iter().filter(|after| since(*path) >= **after).count();
            if self.dice.happens(40) {
                grade = self.dice.between(0, 5) as usize;
            }
            if !self.dice.happens(150) {
                found.push(motor("", &person, procedure, muscle, &day, grade as u8));
            }
        }
        for (skin, path) in site.skin {
            found.push(sudomotor("", &person, procedure, skin, &day, since(*path) > 14.0));
        }
        if found.is_empty() || self.dice.happens(500) {
            let mut at = (front + self.dice.between(-15, 15) as f64).clamp(0.0, 600.0).round();
            if self.dice.happens(30) {
                // A digit too many.
                at = (at * 10.0).min(1_500.0);
            }
            found.push(tinel("", &person, procedure, &day, at));
        }
        for finding in &mut found {
            self.cases[index].count += 1;
            finding["id"] = json!(format!("o{number}-{}", self.cases[index].count));
        }
        self.send(Write::Transaction(found));
    }

    /// A later operation.
    fn operate(&mut self, index: usize, day: Date, last: &Json) {
        let before: Date = text(last, "/performedDateTime").parse().unwrap();
        let days = before.until(day).unwrap().get_days();
        let case = &self.cases[index];
        if days < 150 || case.operations > 2 || !self.dice.happens(30) {
            return;
        }
        self.cases[index].operations += 1;
        let number = self.cases[index].operations;
        let mut next = self.operation(index, number, day);
        let site = self.cases[index].site;
        if self.dice.happens(300)
            && let Some((muscle, _)) = site.muscles.first()
        {
            next["code"] = code("repair-technique", "tendon-transfer");
            next["extension"] = json!([target(muscle, 0.0)]);
        } else {
            self.cases[index].rate = (!self.dice.happens(300)).then_some(1.2);
        }
        self.put(next);
    }

    /// A record of the past is corrected.
    fn correct(&mut self, person: &str, day: Date, chart: &Chart) {
        let of = format!("Patient/{person}");
        let mine = |one: &&Json| text(one, "/subject/reference") == of;
        let findings: Vec<&Json> = chart.all("Observation").filter(mine).collect();
        if !findings.is_empty() && self.dice.happens(62) {
            let finding = *self.dice.pick(&findings);
            let version = self.dice.happens(300).then(|| text(finding, "/meta/versionId").parse().unwrap());
            let earlier = |date: &str, days: i64| {
                date.parse::<Date>().unwrap().saturating_sub(Span::new().days(days)).to_string()
            };
            let write = match self.dice.between(0, 4) {
                0 if finding.get("valueInteger").is_some() => {
                    Write::Put(with(finding, "valueInteger", json!(self.dice.between(0, 4))), version)
                }
                0 | 1 => {
                    let on = earlier(text(finding, "/effectiveDateTime"), self.dice.between(1, 9));
                    Write::Put(with(finding, "effectiveDateTime", json!(on)), version)
                }
                2 => Write::Put(with(finding, "status", json!("entered-in-error")), version),
                3 => Write::Put(with(finding, "status", json!("final")), version),
                _ => Write::Delete("Observation".to_owned(), text(finding, "/id").to_owned()),
            };
            self.send(write);
        }
        let procedures: Vec<&Json> = chart.all("Procedure").filter(mine).collect();
        if !procedures.is_empty() && self.dice.happens(25) {
            let procedure = *self.dice.pick(&procedures);
            let on: Date = text(procedure, "/performedDateTime").parse().unwrap();
            let corrected = match self.dice.between(0, 3) {
                0 => {
                    let on = on.saturating_add(Span::new().days(self.dice.between(-3, 3))).min(day);
                    with(procedure, "performedDateTime", json!(on.to_string()))
                }
                1 => with(procedure, "status", json!("entered-in-error")),
                2 => with(procedure, "performer", json!([{ "actor": { "display": "Surgeon Moor" } }])),
                _ => {
                    let mut other = procedure.clone();
                    if let Some(gap) = other.pointer_mut("/extension/0/valueQuantity/value") {
                        *gap = json!(self.dice.between(5, 70));
                    }
                    other
                }
            };
            self.put(corrected);
        }
        for wrong in procedures.into_iter().filter(|one| one["status"] == "entered-in-error") {
            if self.dice.happens(150) {
                self.put(with(wrong, "status", json!("completed")));
            }
        }
    }

    /// Death and its correction; two records of one person, and that they are not.
    fn happen(&mut self, index: usize, day: Date, record: &Json) {
        let other = self.name(index, "q");
        let without = |member: &str| {
            let mut copy = record.clone();
            copy.as_object_mut().unwrap().shift_remove(member);
            copy
        };
        let is_dead = record.get("deceasedDateTime").is_some();
        if !is_dead && self.dice.happens(7) {
            self.put(with(record, "deceasedDateTime", json!(day.to_string())));
        } else if is_dead && self.dice.happens(75) {
            self.put(without("deceasedDateTime"));
        }
        let is_merged = record.get("link").is_some();
        if !is_merged && self.dice.happens(10) {
            let link =
                json!([{ "other": { "reference": format!("Patient/{other}") }, "type": "replaced-by" }]);
            self.put(patient(&other, text(record, "/birthDate")));
            self.put(with(record, "link", link));
        } else if is_merged && self.dice.happens(20) {
            self.put(without("link"));
        }
        if self.dice.happens(20) {
            let language = *self.dice.pick(&["de", "en", "fr"]);
            self.put(with(record, "language", json!(language)));
        }
    }

    /// Somebody reacts to an alert, or to a message.
    fn answer(&mut self, day: Date, plan: &Json, chart: &Chart) {
        for issue in chart.standing(plan).cloned().collect::<Vec<_>>() {
            if !self.dice.happens(125) {
                continue;
            }
            let answer = *self.dice.pick(&["acknowledged", "declined", "snoozed", "confirmed"]);
            let mut action = json!({ "action": with(&code("alert-answer", answer), "text", json!("after talking to the patient")) });
            if answer == "snoozed" {
                let until = day.saturating_add(Span::new().days(self.dice.between(2, 40)));
                let url = format!("{EP}/StructureDefinition/snoozed-until");
                action["extension"] = json!([{ "url": url, "valueDate": until.to_string() }]);
            }
            let mut all = issue["mitigation"].as_array().cloned().unwrap_or_default();
            all.push(action);
            self.put(with(&issue, "mitigation", json!(all)));
        }
        let of = format!("CarePlan/{}", text(plan, "/id"));
        let open = |one: &&Json| one.get("received").is_none() && one["about"].to_string().contains(&of);
        if let Some(message) = chart.all("Communication").filter(open).last()
            && self.dice.happens(75)
        {
            let received = self.now.strftime("%Y-%m-%dT%H:%M:%SZ").to_string();
            self.put(with(message, "received", json!(received)));
        }
    }

    /// The surgeon discharges, and takes up again.
    fn decide(&mut self, day: Date, plan: &Json, repairs: &[Json]) {
        let Some(last) = repairs.last() else { return };
        let operated: Date = text(last, "/performedDateTime").parse().unwrap();
        let is_late = operated.until(day).is_ok_and(|span| span.get_days() > 300);
        if plan["status"] == "active" && is_late && self.dice.happens(15) {
            self.put(with(plan, "status", json!("completed")));
        } else if Chart::is_ended(plan) && self.dice.happens(75) {
            self.put(with(plan, "status", json!("active")));
        }
    }

    /// Something is sent that cannot be.
    fn err(&mut self, index: usize, day: Date) {
        if !self.dice.happens(37) {
            return;
        }
        let (person, hurt) = (self.name(index, "p"), self.name(index, "c"));
        let day = day.to_string();
        let wrong = match self.dice.between(0, 2) {
            0 => repair("wrong", &person, &hurt, "autograft", "median", &day, &[]),
            1 => motor("wrong", &person, "nobody", "extensor-digitorum", &day, 1),
            _ => injury("wrong", "nobody", &day),
        };
        self.send(Write::Wrong(wrong));
    }
}
