//! What a Subscription means: what is told of, to whom, how much of it, and in which state it is.
//!
//! There are two kinds. Criteria that are a search (`Task?status=requested`) are plain R4: subscription.html. Criteria that are the
//! canonical URL of a topic are those of the Subscriptions R5 Backport 1.1.0, with its extensions.

mod call;
mod secret;
mod state;
mod topic;

pub use secret::{MASK, masked, shown};
pub use topic::{Filter, TOPICS, Topic, documentation};

pub(crate) use call::Turn;
pub(crate) use state::{change, next_call, receive};

use crate::Endplate;
use crate::element::{items, text, value};
use crate::ports::Stored;
use crate::refusal::Refusal;
use endplate_fhir::index::IndexRow;
use endplate_fhir::issue::{Code, Issue};
use endplate_fhir::search::{self, Query};
use endplate_fhir::{Json, TYPES};
use futures_util::FutureExt;
use jiff::Timestamp;
use std::collections::BTreeMap;
use std::sync::Arc;

/// The counter that moves whenever a Subscription is written.
pub const SCOPE: &str = "Subscription";

/// Where the canonical URLs of the Backport begin.
pub const BACKPORT: &str = "http://hl7.org/fhir/uv/subscriptions-backport";

/// The only format that is sent.
pub const FHIR_JSON: &str = "application/fhir+json";

/// Most events of one notification, whatever `backport-max-count` says.
pub const BATCH_MAX: usize = 100;

/// The shortest time between heartbeats, in seconds.
pub const HEARTBEAT_MIN_S: u64 = 10;

/// Each extension of the Backport, the element that it stands on, and the type of its value.
const EXTENSIONS: [(&str, &str, &str); 6] = [
    ("backport-channel-type", "Subscription.channel.type", "valueCoding"),
    ("backport-filter-criteria", "Subscription.criteria", "valueString"),
    ("backport-heartbeat-period", "Subscription.channel", "valueUnsignedInt"),
    ("backport-max-count", "Subscription.channel", "valuePositiveInt"),
    ("backport-payload-content", "Subscription.channel.payload", "valueCode"),
    ("backport-timeout", "Subscription.channel", "valueUnsignedInt"),
];

/// How much a notification says (code system backport-content-code-system), least first.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Content {
    /// That something happened.
    Empty,
    /// To what.
    IdOnly,
    /// What it is like now.
    FullResource,
}

impl Content {
    /// By its code.
    pub fn from_code(code: &str) -> Option<Self> {
        match code {
            "empty" => Some(Self::Empty),
            "id-only" => Some(Self::IdOnly),
            "full-resource" => Some(Self::FullResource),
            _ => None,
        }
    }
}

/// A Subscription that can be served, read.
#[derive(Clone, Debug)]
pub struct Subscription {
    /// Its id; empty before it has one.
    pub id: String,
    /// `requested`, `active`, `error` or `off`.
    pub status: String,
    /// Its topic; none of plain criteria.
    pub topic: Option<&'static Topic>,
    /// What is told of: a version that one of these finds.
    pub watch: Vec<Query>,
    /// How much is told.
    pub content: Content,
    /// Where the subscriber listens.
    pub endpoint: String,
    /// Headers for every message, `Name: value`.
    pub headers: Vec<String>,
    /// The format of messages as it was asked for; none: a bare signal.
    pub payload: Option<String>,
    /// A heartbeat is sent after so many seconds of silence.
    pub heartbeat_s: Option<u64>,
    /// The longest time for one attempt, in seconds.
    pub timeout_s: Option<u64>,
    /// Most events of one notification, from 1 to [`BATCH_MAX`].
    pub count_max: usize,
    /// When it ends.
    pub end: Option<Timestamp>,
    /// What went wrong last, for people.
    pub error: Option<String>,
}

/// Whether criteria name a topic. Anything absolute does: a search begins with a type.
fn is_canonical(criteria: &str) -> bool {
    criteria.split('?').next().is_some_and(|begin| begin.contains("://"))
}

impl Subscription {
    /// Reads a Subscription. `base` is the URL of this service, for absolute references.
    ///
    /// # Errors
    /// All that keeps it from being served.
    pub fn read(resource: &Json, base: &str) -> Result<Self, Vec<Issue>> {
        let mut issues = Vec::new();
        let extensions = extensions(resource, &mut issues);
        let of = |name: &'static str| extensions.iter().filter(move |one| one.name == name);
        let criteria = text(resource, &["criteria"]).unwrap_or_default();
        check_channel(resource, &mut issues);
        let (topic, watch, content) = if is_canonical(criteria) {
            if let Some(one) = of("backport-channel-type").next() {
                issues.push(unserved(
                    &one.place,
                    "Only rest-hook channels are served; leave this extension out.",
                ));
            }
            let content =
                of("backport-payload-content").find_map(|one| Content::from_code(one.value.as_str()?));
            if content.is_none() {
                let text = "Say how much is told with the extension backport-payload-content: empty, id-only or full-resource.";
                issues.push(unserved("Subscription.channel.payload", text));
            }
            let filters: Vec<(&str, &str)> = of("backport-filter-criteria")
                .map(|one| (one.place.as_str(), one.value.as_str().unwrap_or_default()))
                .collect();
            let (topic, watch) = topical(criteria, &filters, base, &mut issues);
            (topic, watch, content.unwrap_or(Content::Empty))
        } else {
            for one in &extensions {
                let text =
                    "This extension goes with a topic in criteria; leave it out of a Subscription by search.";
                issues.push(unserved(&one.place, text));
            }
            let bare = text(resource, &["channel", "payload"]).is_none();
            let content = if bare { Content::Empty } else { Content::FullResource };
            (None, plain(criteria, base, &mut issues), content)
        };
        let mut whole = |name: &'static str, least: u64, wrong: &str| {
            let one = of(name).next()?;
            let number = one.value.as_u64().filter(|number| *number >= least);
            if number.is_none() {
                issues.push(unserved(&one.place, wrong));
            }
            number
        };
        let heartbeat_s = whole(
            "backport-heartbeat-period",
            HEARTBEAT_MIN_S,
            "A heartbeat is sent every 10 seconds at most; send a longer period, or leave it out for none.",
        );
        let timeout_s =
            whole("backport-timeout", 1, "An attempt is given 1 second at least; send a longer time.");
        let count_max =
            whole("backport-max-count", 1, "A notification holds 1 event at least; send a greater number.");
        if !issues.is_empty() {
            return Err(issues);
        }
        let channel = |name: &str| text(resource, &["channel", name]);
        Ok(Self {
            id: text(resource, &["id"]).unwrap_or_default().to_owned(),
            status: text(resource, &["status"]).unwrap_or_default().to_owned(),
            topic,
            watch,
            content,
            endpoint: channel("endpoint").unwrap_or_default().to_owned(),
            headers: items(&resource["channel"], "header")
                .filter_map(Json::as_str)
                .map(str::to_owned)
                .collect(),
            payload: channel("payload").map(str::to_owned),
            heartbeat_s,
            timeout_s,
            count_max: count_max
                .map_or(1, |count| usize::try_from(count).unwrap_or(BATCH_MAX).min(BATCH_MAX)),
            end: text(resource, &["end"]).and_then(|end| end.parse().ok()),
            error: text(resource, &["error"]).map(str::to_owned),
        })
    }

    /// Whether it is over at `now`.
    pub fn is_over(&self, now: Timestamp) -> bool {
        self.end.is_some_and(|end| end <= now)
    }
}

/// What is wrong with a Subscription that this service would have to serve.
pub fn check(subscription: &Json) -> Vec<Issue> {
    Subscription::read(subscription, "").err().unwrap_or_default()
}

fn unserved(expression: &str, text: impl Into<String>) -> Issue {
    Issue::error(Code::NotSupported, expression, text)
}

fn check_channel(resource: &Json, issues: &mut Vec<Issue>) {
    if text(resource, &["channel", "type"]) != Some("rest-hook") {
        let text = "Only rest-hook channels are served; send channel.type rest-hook.";
        issues.push(unserved("Subscription.channel.type", text));
    }
    let endpoint = text(resource, &["channel", "endpoint"]).unwrap_or_default();
    if !(endpoint.starts_with("https://") || endpoint.starts_with("http://")) {
        let text = "A rest-hook needs an http or https address; send it in channel.endpoint.";
        issues.push(unserved("Subscription.channel.endpoint", text));
    }
    let is_topical = is_canonical(text(resource, &["criteria"]).unwrap_or_default());
    match text(resource, &["channel", "payload"]) {
        Some(payload) if is_fhir_json(payload) => {}
        None if !is_topical => {}
        _ => {
            let text = if is_topical {
                "Only application/fhir+json of FHIR 4.0 is sent; send that in channel.payload."
            } else {
                "Only application/fhir+json is sent; send that, or leave payload out for a bare signal."
            };
            issues.push(unserved("Subscription.channel.payload", text));
        }
    }
    if items(&resource["channel"], "header").filter_map(Json::as_str).any(|header| !header.contains(':')) {
        issues.push(unserved("Subscription.channel.header", "A header is written as Name: value."));
    }
}

/// FHIR R4 as JSON; R4 http.html#version-parameter: `fhirVersion` is heeded.
fn is_fhir_json(payload: &str) -> bool {
    let mut parts = payload.split(';').map(str::trim);
    parts.next() == Some(FHIR_JSON)
        && parts.all(|part| match part.split_once('=').map(|(name, value)| (name.trim(), value.trim())) {
            Some(("fhirVersion", version)) => version.trim_matches('"') == "4.0",
            Some(("charset", charset)) => charset.trim_matches('"').eq_ignore_ascii_case("utf-8"),
            _ => false,
        })
}

fn topical(
    criteria: &str,
    filters: &[(&str, &str)],
    base: &str,
    issues: &mut Vec<Issue>,
) -> (Option<&'static Topic>, Vec<Query>) {
    let Some(topic) = Topic::of(criteria) else {
        let all: Vec<String> = TOPICS.iter().map(Topic::url).collect();
        let text = format!("This topic is not offered; send one of {}.", all.join(", "));
        issues.push(unserved("Subscription.criteria", text));
        return (None, Vec::new());
    };
    let asked: Vec<&str> = filters.iter().map(|(_, filter)| *filter).collect();
    match topic.queries(&asked, base) {
        Ok(queries) => (Some(topic), queries),
        Err((at, text)) => {
            let place = filters.get(at).map_or("Subscription.criteria", |(place, _)| place);
            issues.push(unserved(place, text));
            (Some(topic), Vec::new())
        }
    }
}

fn plain(criteria: &str, base: &str, issues: &mut Vec<Issue>) -> Vec<Query> {
    match search::criteria(criteria, base) {
        Err(found) => issues.extend(found.into_iter().map(|issue| Issue {
            expression: "Subscription.criteria".to_owned(),
            text: format!(
                "{} Criteria are written as a search, for example Task?status=requested.",
                issue.text
            ),
            ..issue
        })),
        Ok(query) if !TYPES.contains(&query.kind.as_str()) => {
            issues.extend(Refusal::unknown_type().issues);
        }
        Ok(query) if query.kind == "AuditEvent" => {
            let text = "Nobody is told of AuditEvents; search them, with _lastUpdated for what is new.";
            issues.push(unserved("Subscription.criteria", text));
        }
        Ok(query) if !query.is_of_rows() => {
            let text = "Criteria are about a resource itself and at any time; leave out chains, _has and the prefix ap.";
            issues.push(unserved("Subscription.criteria", text));
        }
        Ok(query) => return vec![query],
    }
    Vec::new()
}

/// An extension of the Backport where it belongs.
struct Extension<'a> {
    name: &'static str,
    place: String,
    value: &'a Json,
}

/// The extensions of the Backport. One that is unknown, stands elsewhere, has another type of value or stands there twice would be
/// passed over in silence: it is refused.
fn extensions<'a>(resource: &'a Json, issues: &mut Vec<Issue>) -> Vec<Extension<'a>> {
    let mut all: Vec<Extension<'a>> = Vec::new();
    each_extension(resource, "Subscription", &mut |on, at, extension| {
        let url = text(extension, &["url"]).unwrap_or_default();
        let Some(name) =
            url.strip_prefix(BACKPORT).and_then(|rest| rest.strip_prefix("/StructureDefinition/"))
        else {
            return;
        };
        let place = format!("{on}.extension[{at}]");
        let Some((name, home, kind)) = EXTENSIONS.iter().find(|(known, _, _)| *known == name) else {
            let known: Vec<&str> = EXTENSIONS.iter().map(|(name, _, _)| *name).collect();
            let text =
                format!("This extension is not served; of the Backport's there are {}.", known.join(", "));
            return issues.push(unserved(&place, text));
        };
        let found = extension.get(*kind).filter(|_| value(extension).is_some());
        let again = *name != "backport-filter-criteria" && all.iter().any(|one| one.name == *name);
        match found {
            _ if on != *home => {
                issues.push(unserved(&place, format!("This extension stands on {home}; send it there.")));
            }
            None => issues
                .push(unserved(&place, format!("This extension has its value in {kind}; send it there."))),
            Some(_) if again => issues.push(unserved(&place, "Send this extension once.")),
            Some(value) => all.push(Extension { name, place, value }),
        }
    });
    all
}

/// Shows each extension of an element and of those within it, with the element's path and its place there. What is said of a
/// primitive (`_criteria`) is on the primitive.
fn each_extension<'a>(element: &'a Json, path: &str, visit: &mut dyn FnMut(&str, usize, &'a Json)) {
    for (at, extension) in items(element, "extension").enumerate() {
        visit(path, at, extension);
    }
    for (name, member) in element.as_object().into_iter().flatten().filter(|(name, _)| *name != "extension") {
        let path = format!("{path}.{}", name.trim_start_matches('_'));
        match member {
            Json::Array(all) => all.iter().for_each(|one| each_extension(one, &path, visit)),
            one => each_extension(one, &path, visit),
        }
    }
}

/// Everybody who wants to be told of something, by type: whoever is not off.
#[derive(Debug, Default)]
pub struct Listeners {
    by_kind: BTreeMap<String, BTreeMap<Arc<str>, Arc<Query>>>,
}

impl Listeners {
    /// The Subscriptions that are to be told of a version, in the order of their ids, each once.
    pub fn of<'a>(
        &'a self,
        kind: &'a str,
        id: &'a str,
        rows: &'a [IndexRow],
    ) -> impl Iterator<Item = &'a str> + use<'a> {
        let all = self.by_kind.get(kind).into_iter().flatten();
        all.filter(|(_, query)| query.matches(kind, id, rows)).map(|(subscription, _)| subscription.as_ref())
    }

    /// After these Subscriptions were written; false: deleted.
    pub(crate) fn with(&self, written: &[(Stored, bool)], base: &str) -> Self {
        let mut all = Self { by_kind: self.by_kind.clone() };
        for (stored, is_there) in written {
            for of_kind in all.by_kind.values_mut() {
                of_kind.remove(stored.id.as_str());
            }
            if *is_there {
                all.add(stored, base);
            }
        }
        all
    }

    fn add(&mut self, stored: &Stored, base: &str) {
        let resource: Json = endplate_fhir::json::stored(&stored.body);
        let Ok(subscription) = Subscription::read(&resource, base) else { return };
        if subscription.status == "off" {
            return;
        }
        let id: Arc<str> = stored.id.as_str().into();
        for query in subscription.watch {
            self.by_kind.entry(query.kind.clone()).or_default().insert(Arc::clone(&id), Arc::new(query));
        }
    }
}

impl Endplate {
    /// Everybody who wants to be told of something, with the counter they were read at.
    pub(crate) async fn listeners(&self) -> Result<(u64, Arc<Listeners>), Refusal> {
        let read = || self.read_listeners().boxed();
        self.listening.get(self.store.as_ref(), SCOPE, read).await
    }

    async fn read_listeners(&self) -> Result<Listeners, Refusal> {
        let base = &self.settings.base;
        let mut query = Query { count: search::COUNT_MAX, ..Query::of("Subscription") };
        let mut all = Listeners::default();
        loop {
            let page = self.store.search(&query).await?;
            page.resources.iter().for_each(|stored| all.add(stored, base));
            match page.next {
                Some(next) => query.after = Some(next),
                None => return Ok(all),
            }
        }
    }
}
