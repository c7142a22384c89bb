//! The one way out: reading, and what was. Searching is in [`mod@crate::search`].

use crate::Endplate;
use crate::grant::{Right, forbidden};
use crate::ports::{Deed, Past, PastPage, Place, Stored, Tally, Version};
use crate::refusal::{Reason, Refusal};
use crate::subscription::shown;
use crate::write::instant_ms;
use endplate_fhir::bundle::{self, Method, Response};
use endplate_fhir::issue::{Code, Issue};
use endplate_fhir::search::{COUNT_DEFAULT, COUNT_MAX};
use endplate_fhir::{Json, TYPES, date};
use jiff::Timestamp;

/// How many pages are read for one that a grant thins out.
const ROUNDS_MAX: usize = 20;

impl Endplate {
    /// The current version of a resource.
    pub async fn read(&self, kind: &str, id: &str) -> Result<Stored, Refusal> {
        if !TYPES.contains(&kind) {
            return Err(Refusal::unknown_type());
        }
        self.permit(Right::Read, kind)?;
        self.shown(live(self.store.latest(kind, id).await?), kind)
    }

    /// What lies outside the grant is as if it were not there, and so is that it was deleted. No secret is shown.
    fn shown(&self, found: Result<Stored, Refusal>, kind: &str) -> Result<Stored, Refusal> {
        match found {
            Ok(stored) if !self.may(Right::Read, &stored) => Err(Refusal::not_found()),
            Err(refusal) if refusal.reason == Reason::Gone && !self.reaches_all(Right::Read, kind) => {
                Err(Refusal::not_found())
            }
            found => found.map(shown),
        }
    }

    /// A version of a resource by its `meta.versionId`.
    pub async fn read_version(&self, kind: &str, id: &str, version: &str) -> Result<Stored, Refusal> {
        if !TYPES.contains(&kind) {
            return Err(Refusal::unknown_type());
        }
        self.permit(Right::Read, kind)?;
        let number: Option<u64> = version.parse().ok().filter(|number: &u64| number.to_string() == version);
        let Some(number) = number else { return Err(no_version()) };
        self.shown(live(self.store.version(kind, id, number).await?), kind).map_err(|refusal| {
            match refusal.reason {
                Reason::NotFound => no_version(),
                _ => refusal,
            }
        })
    }

    /// A page of what was: of one resource, of a type, or of everything, newest first, as a history Bundle.
    ///
    /// Takes `_since` (an instant), `_at` (a date or instant) and `_count`, each at most once, and what its own links hold.
    pub async fn history(
        &self,
        kind: Option<&str>,
        id: Option<&str>,
        pairs: &[(String, String)],
    ) -> Result<Json, Refusal> {
        if kind.is_some_and(|kind| !TYPES.contains(&kind)) {
            return Err(Refusal::unknown_type());
        }
        let right = if id.is_some() { Right::Read } else { Right::Search };
        self.permit_history(right, kind)?;
        let mut past = past(pairs).map_err(|issues| Refusal { reason: Reason::Malformed, issues })?;
        if let (Some(kind), Some(id)) = (kind, id)
            && self.store.latest(kind, id).await?.is_none()
        {
            return Err(Refusal::not_found());
        }
        (past.kind, past.id) = (kind.map(str::to_owned), id.map(str::to_owned));
        let (page, is_whole) = self.past(&past, right).await?;
        if id.is_some() && !is_whole && page.versions.is_empty() && past.after.is_none() {
            return Err(Refusal::not_found());
        }
        let base = &self.settings.base;
        let parts = [Some(base.as_str()), kind, id, Some("_history")];
        let path = parts.into_iter().flatten().collect::<Vec<_>>().join("/");
        let address = |pairs: &[(String, String)]| {
            let query: String = form_urlencoded::Serializer::new(String::new()).extend_pairs(pairs).finish();
            if query.is_empty() { path.clone() } else { format!("{path}?{query}") }
        };
        let mut links = vec![("self", address(pairs))];
        if let Some(next) = page.next {
            let mut pairs: Vec<_> = pairs.iter().filter(|(name, _)| name != "_after").cloned().collect();
            pairs.push(("_after".to_owned(), next.to_string()));
            links.push(("next", address(&pairs)));
        }
        let versions = page.versions.into_iter().map(|version| told(version, base)).collect();
        Ok(bundle::history(page.total.filter(|_| is_whole), &links, versions))
    }

    fn permit_history(&self, right: Right, kind: Option<&str>) -> Result<(), Refusal> {
        match kind {
            Some(kind) => self.permit(right, kind),
            None if TYPES.iter().any(|kind| self.permit(right, kind).is_ok()) => Ok(()),
            None => Err(forbidden(right, "*")),
        }
    }

    /// A page of what was, as far as it may be seen, and whether that is all of it. A page may hold less than was asked for.
    async fn past(&self, past: &Past, right: Right) -> Result<(PastPage, bool), Refusal> {
        let is_whole = match &past.kind {
            Some(kind) => self.reaches_all(right, kind),
            None => TYPES.iter().all(|kind| self.reaches_all(right, kind)),
        };
        let mut past = past.clone();
        let mut page = self.store.history(&past).await?;
        if is_whole {
            return Ok((page, true));
        }
        let mut seen = Vec::new();
        for _ in 0..ROUNDS_MAX {
            seen.extend(page.versions.into_iter().filter(|version| self.may(right, &version.stored)));
            page.versions = Vec::new();
            past.after = page.next;
            let missing = past.count.saturating_sub(seen.len());
            if past.after.is_none() || missing == 0 {
                break;
            }
            page = self.store.history(&Past { count: missing, ..past.clone() }).await?;
        }
        Ok((PastPage { versions: seen, next: past.after, total: None }, false))
    }

    /// Whether the service can take requests.
    pub async fn ready(&self) -> Result<(), Refusal> {
        Ok(self.store.check().await?)
    }

    /// Counts what stands, for whoever watches the service.
    pub async fn tally(&self) -> Result<Tally, Refusal> {
        Ok(self.store.tally(self.clock.now(), self.clock.today()).await?)
    }
}

fn live(version: Option<Version>) -> Result<Stored, Refusal> {
    match version {
        Some(version) if version.deed == Deed::Deleted => Err(Refusal::gone()),
        Some(version) => Ok(version.stored),
        None => Err(Refusal::not_found()),
    }
}

fn no_version() -> Refusal {
    let text = "There is no such version of this resource here; its _history tells which there are.";
    Refusal::new(Reason::NotFound, Issue::error(Code::NotFound, "", text))
}

/// A version as a history tells it. A patch is told as the PUT that it comes to.
fn told(version: Version, base: &str) -> bundle::Version {
    let Version { stored, deed } = version;
    let Stored { kind, id, version, at, body } = shown(stored);
    let url = format!("{kind}/{id}");
    let (method, url, status) = match deed {
        Deed::Created if version == 1 => (Method::Post, kind.clone(), "201 Created"),
        Deed::Created => (Method::Put, url, "201 Created"),
        Deed::Updated => (Method::Put, url, "200 OK"),
        Deed::Deleted => (Method::Delete, url, "204 No Content"),
    };
    let response = Response {
        status: status.to_owned(),
        etag: Some(format!("W/\"{version}\"")),
        last_modified: Some(instant_ms(at)),
        resource: (deed != Deed::Deleted).then(|| endplate_fhir::json::stored(&body)),
        ..Response::default()
    };
    bundle::Version { full_url: format!("{base}/{kind}/{id}"), method, url, response }
}

/// Reads the parameters of a history.
fn past(pairs: &[(String, String)]) -> Result<Past, Vec<Issue>> {
    let mut past = Past { count: COUNT_DEFAULT, ..Past::default() };
    let mut issues = Vec::new();
    let mut seen = Vec::new();
    for (name, value) in pairs {
        let mut wrong =
            |code: Code, text: &str| issues.push(Issue::error(code, format!("http.{name}"), text));
        let known = matches!(name.as_str(), "_since" | "_at" | "_count" | "_after");
        if known && seen.contains(&name) {
            wrong(Code::Invalid, "Send each parameter of a history once.");
        }
        seen.push(name);
        match name.as_str() {
            "_since" => match value.parse::<Timestamp>() {
                Ok(since) => past.since_ms = Some(since.as_millisecond()),
                Err(_) => {
                    wrong(
                        Code::Value,
                        "Send _since as an instant with a zone, such as 2026-03-02T09:00:00Z.",
                    );
                }
            },
            "_at" => match date::instant_ms(value) {
                Ok(during) => past.during_ms = Some(during),
                Err(_) => wrong(Code::Value, "Send _at as a date or an instant, such as 2026-03-02."),
            },
            "_count" => match value.parse::<usize>() {
                Ok(count) if count > 0 => past.count = count.min(COUNT_MAX),
                _ => wrong(Code::Value, &format!("Send _count as a whole number from 1 to {COUNT_MAX}.")),
            },
            "_after" => match Place::parse(value) {
                Some(place) => past.after = Some(place),
                None => wrong(Code::Value, "Follow the link next as it was given."),
            },
            _ => {
                issues.push(Issue::error(
                    Code::NotSupported,
                    "",
                    "A history takes _since, _at and _count only.",
                ));
            }
        }
    }
    if issues.is_empty() { Ok(past) } else { Err(issues) }
}

/// Whether a list of entity tags, or `*`, names a version. R4 compares tags by what stands between the quotes; quotes and `W/` may
/// be missing, as some clients leave them out.
pub fn names_version(tags: &str, version: u64) -> bool {
    tags.split(',')
        .map(str::trim)
        .any(|tag| tag == "*" || tag.trim_start_matches("W/").trim_matches('"').parse() == Ok(version))
}

/// Whether a reader already has this version (RFC 9110 section 13.2.2: If-None-Match goes before If-Modified-Since).
pub fn is_known(stored: &Stored, if_none_match: Option<&str>, if_modified_since: Option<Timestamp>) -> bool {
    match (if_none_match, if_modified_since) {
        (Some(tags), _) => names_version(tags, stored.version),
        // HTTP dates have no parts of a second.
        (None, Some(since)) => stored.at.as_second() <= since.as_second(),
        (None, None) => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // RFC 9110 sections 13.1.1 and 8.8.3; FHIR R4 http.html#concurrency compares weak tags by their value.
    #[test]
    fn tags_name_versions() {
        for tags in ["W/\"3\"", "\"3\"", "3", "*", "W/\"1\", W/\"3\""] {
            assert!(names_version(tags, 3), "{tags}");
        }
        for tags in ["W/\"2\"", "W/\"03x\"", "", "\"\"", "W/\"33\""] {
            assert!(!names_version(tags, 3), "{tags}");
        }
    }
}
