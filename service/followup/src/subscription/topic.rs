//! Topics: what a topic subscription can be about, and what it can be narrowed by.
//!
//! Source: Subscriptions R5 Backport 1.1.0, `Subscription.criteria` and backport-filter-criteria. R4 has no resource for a topic: its
//! canonical URL is all there is.

use crate::code::EP;
use endplate_fhir::search::{self, Query};
use std::collections::BTreeMap;

/// What can be subscribed to: the derived resources of some types, each time one is made or changed.
#[derive(Debug, PartialEq, Eq)]
pub struct Topic {
    /// The last part of its canonical URL.
    pub name: &'static str,
    /// The types that it is about.
    pub kinds: &'static [&'static str],
    /// What it can be narrowed by.
    pub filters: &'static [Filter],
}

/// What a topic can be narrowed by.
#[derive(Debug, PartialEq, Eq)]
pub struct Filter {
    /// Its name in a Subscription.
    pub name: &'static str,
    /// Type, and the search parameter of it that is meant. Of the other types of the topic nothing is told.
    pub params: &'static [(&'static str, &'static str)],
}

/// Every topic that is offered.
pub const TOPICS: &[Topic] = &[
    Topic {
        name: "alerts",
        kinds: &["Communication", "DetectedIssue", "Flag"],
        filters: &[
            Filter { name: "kind", params: &[("Communication", "category"), ("DetectedIssue", "code")] },
            Filter {
                name: "patient",
                params: &[("Communication", "patient"), ("DetectedIssue", "patient"), ("Flag", "patient")],
            },
            Filter { name: "priority", params: &[("Communication", "priority")] },
            Filter { name: "recipient", params: &[("Communication", "recipient")] },
        ],
    },
    Topic {
        name: "plans",
        kinds: &["CarePlan", "Goal", "RiskAssessment"],
        filters: &[Filter {
            name: "patient",
            params: &[("CarePlan", "patient"), ("Goal", "patient"), ("RiskAssessment", "patient")],
        }],
    },
    Topic {
        name: "reviews",
        kinds: &["ServiceRequest", "Task"],
        filters: &[
            Filter { name: "owner", params: &[("Task", "owner")] },
            Filter { name: "patient", params: &[("ServiceRequest", "patient"), ("Task", "patient")] },
            Filter { name: "priority", params: &[("ServiceRequest", "priority"), ("Task", "priority")] },
        ],
    },
];

impl Topic {
    /// Its canonical URL.
    pub fn url(&self) -> String {
        format!("{EP}/SubscriptionTopic/{}", self.name)
    }

    /// The topic with this canonical URL.
    pub fn of(url: &str) -> Option<&'static Self> {
        TOPICS.iter().find(|topic| topic.url() == url)
    }

    /// What to send as a filter, for people.
    fn offered(&self) -> String {
        let all: Vec<&str> = self.filters.iter().map(|filter| filter.name).collect();
        format!("Filters of this topic are {}, each as name=value or Type?name=value.", all.join(", "))
    }

    /// What is asked of each type when all of these filters are met; a type that they leave out has no query.
    ///
    /// # Errors
    /// Which filter, by its place in `filters`, cannot be used, and what to send instead.
    pub fn queries(&self, filters: &[&str], base: &str) -> Result<Vec<Query>, (usize, String)> {
        // None: nothing of this type is told.
        let mut asked: BTreeMap<&str, Option<Vec<(String, String)>>> = BTreeMap::new();
        for kind in self.kinds {
            asked.insert(kind, Some(vec![("_tag".to_owned(), format!("{EP}/CodeSystem/origin|derived"))]));
        }
        let mut queries = self.all(&asked, base).map_err(|text| (0, text))?;
        for (at, filter) in filters.iter().enumerate() {
            self.narrow(filter, &mut asked).map_err(|text| (at, text))?;
            queries = self.all(&asked, base).map_err(|text| (at, text))?;
        }
        Ok(queries)
    }

    fn all(
        &self,
        asked: &BTreeMap<&str, Option<Vec<(String, String)>>>,
        base: &str,
    ) -> Result<Vec<Query>, String> {
        let mut queries = Vec::new();
        for (kind, pairs) in asked {
            let Some(pairs) = pairs else { continue };
            match search::parse(kind, pairs, base) {
                Ok(query) if query.is_of_rows() => queries.push(query),
                Ok(_) => return Err("A filter is about the resource itself; leave chains out.".to_owned()),
                Err(issues) => {
                    let text = issues.into_iter().next().map(|issue| issue.text).unwrap_or_default();
                    return Err(format!("{text} {}", self.offered()));
                }
            }
        }
        if queries.is_empty() {
            return Err("These filters leave nothing to be told of; leave one out.".to_owned());
        }
        Ok(queries)
    }

    /// Adds one filter: `patient=Patient/1`, `Task?owner=Practitioner/1&patient=Patient/1`, `Task.owner=Practitioner/1`.
    fn narrow(
        &self,
        filter: &str,
        asked: &mut BTreeMap<&str, Option<Vec<(String, String)>>>,
    ) -> Result<(), String> {
        let (of, pairs) = match filter.split_once('?') {
            Some((kind, pairs)) => (Some(kind), pairs),
            None => (None, filter),
        };
        let pairs: Vec<(String, String)> = form_urlencoded::parse(pairs.as_bytes()).into_owned().collect();
        if pairs.is_empty() {
            return Err(self.offered());
        }
        for (key, value) in pairs {
            let (of, key) = match key.split_once('.') {
                Some((kind, key)) if self.kinds.contains(&kind) => (Some(kind), key),
                _ => (of, key.as_str()),
            };
            let (name, modifier) = key.split_at(key.find(':').unwrap_or(key.len()));
            let known = self.filters.iter().find(|known| known.name == name);
            let known = known.filter(|_| !value.is_empty()).ok_or_else(|| self.offered())?;
            let param = |kind: &str| known.params.iter().find(|(of, _)| *of == kind).map(|(_, param)| *param);
            if of.is_some_and(|of| param(of).is_none()) {
                let kinds: Vec<&str> = known.params.iter().map(|(kind, _)| *kind).collect();
                return Err(format!("This filter is of {} only.", kinds.join(", ")));
            }
            for (kind, pairs) in asked.iter_mut().filter(|(kind, _)| of.is_none_or(|of| of == **kind)) {
                match (param(kind), pairs.as_mut()) {
                    (Some(param), Some(pairs)) => pairs.push((format!("{param}{modifier}"), value.clone())),
                    _ => *pairs = None,
                }
            }
        }
        Ok(())
    }
}

/// What the topics are, for the CapabilityStatement.
pub fn documentation() -> String {
    let one = |topic: &Topic| {
        let filters = topic.filters.iter().map(|filter| {
            let kinds: Vec<&str> = filter.params.iter().map(|(kind, _)| *kind).collect();
            format!("{} (of {})", filter.name, kinds.join(", "))
        });
        let filters: Vec<String> = filters.collect();
        format!("{}: {}; filters {}.", topic.name, topic.kinds.join(", "), filters.join(", "))
    };
    let topics: Vec<String> = TOPICS.iter().map(one).collect();
    format!(
        "Topics tell of each version of a derived resource, never of a deletion. {} A filter without a type leaves out the types \
         that do not have it. Criteria may also be a plain R4 search, such as Task?status=requested; such a Subscription is \
         active at once. Header values are never shown again.",
        topics.join(" ")
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn kinds(topic: &str, filters: &[&str]) -> Vec<String> {
        let topic = Topic::of(&format!("{EP}/SubscriptionTopic/{topic}")).expect("a topic");
        let queries = topic.queries(filters, "").expect("filters");
        queries.into_iter().map(|query| query.kind).collect()
    }

    // Subscriptions R5 Backport 1.1.0, backport-filter-criteria: several filters are met together.
    #[test]
    fn filters_narrow_and_leave_out_what_does_not_have_them() {
        assert_eq!(kinds("reviews", &[]), ["ServiceRequest", "Task"]);
        assert_eq!(kinds("reviews", &["patient=Patient/1"]), ["ServiceRequest", "Task"]);
        assert_eq!(kinds("reviews", &["owner=Practitioner/1"]), ["Task"]);
        assert_eq!(kinds("reviews", &["Task?owner=Practitioner/1"]), ["ServiceRequest", "Task"]);
        assert_eq!(kinds("alerts", &["kind=front-static", "priority=urgent"]), ["Communication"]);
        assert_eq!(
            kinds("alerts", &["DetectedIssue.kind:not=pain"]),
            ["Communication", "DetectedIssue", "Flag"]
        );
    }

    #[test]
    fn what_cannot_be_used_is_refused_at_its_place() {
        let topic = Topic::of(&format!("{EP}/SubscriptionTopic/reviews")).expect("a topic");
        for bad in [
            "colour=red",
            "kind=x",
            "owner",
            "",
            "Flag?patient=1",
            "ServiceRequest?owner=1",
            "patient.name=x",
            "patient:near=Patient/1",
        ] {
            let (at, text) = topic.queries(&["patient=Patient/1", bad], "").expect_err(bad);
            assert_eq!((at, text.is_empty()), (1, false), "{bad}");
        }
    }
}
