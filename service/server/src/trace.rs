//! The trace that a request belongs to: W3C Trace Context (Recommendation of 23 November 2021), read, begun and passed on.
//!
//! A `traceparent` that is not as the standard has it begins a new trace; it is never an error. What is told to others goes as a
//! child of what caused it. Without the feature `otel` nothing is recorded: spans have ids, so that the log, the answers and
//! whoever is called can be brought together.

use axum::http::{HeaderMap, HeaderName, HeaderValue};
use endplate_followup::trace::Trace as Carried;
use ring::rand::{SecureRandom, SystemRandom};
use std::sync::Arc;
use tracing::Span;

/// Section 3.2.
pub(crate) const TRACEPARENT: HeaderName = HeaderName::from_static("traceparent");
/// Section 3.3.
pub(crate) const TRACESTATE: HeaderName = HeaderName::from_static("tracestate");

/// Section 3.3.1.1: members of a `tracestate`.
const MEMBERS_MAX: usize = 32;
/// Section 3.3.1.5: characters that must be passed on. What is longer is left out whole.
const STATE_MAX: usize = 512;

tokio::task_local! {
    /// The trace of the request in progress. It is here, and not an argument of each handler, so that no handler can forget it.
    static TRACE: Arc<Trace>;
}

/// A place in a trace.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Trace {
    /// 32 hexadecimal digits.
    id: String,
    /// 16 hexadecimal digits: of the work in progress.
    span: String,
    /// Section 3.2.2.5: the last bit says that the trace is recorded.
    flags: u8,
    state: Option<String>,
}

impl Trace {
    /// A new one, recorded by nobody.
    pub(crate) fn new() -> Self {
        Self { id: random(16), span: random(8), flags: 0, state: None }
    }

    /// The place that a caller names; none if it names none, or not as the standard has it.
    pub(crate) fn of(headers: &HeaderMap) -> Option<Self> {
        let mut named = headers.get_all(&TRACEPARENT).iter();
        let (Some(parent), None) = (named.next(), named.next()) else { return None };
        Some(Self { state: state_of(headers), ..Self::parse(parent.to_str().ok()?)? })
    }

    /// Section 3.2.2: `version-traceid-parentid-flags`. A later version is read as far as this one goes.
    fn parse(text: &str) -> Option<Self> {
        let mut parts = text.trim_matches([' ', '\t']).splitn(5, '-');
        let mut part = |length: usize| {
            let part = parts.next()?;
            let is_hex = part.bytes().all(|byte| matches!(byte, b'0'..=b'9' | b'a'..=b'f'));
            (part.len() == length && is_hex).then_some(part)
        };
        let (version, id, span, flags) = (part(2)?, part(32)?, part(16)?, part(2)?);
        let is_long = parts.next().is_some();
        let is_nothing = |id: &str| id.bytes().all(|digit| digit == b'0');
        if version == "ff" || (version == "00" && is_long) || is_nothing(id) || is_nothing(span) {
            return None;
        }
        // Of the flags, this version knows one; the others are not passed on.
        let flags = u8::from_str_radix(flags, 16).ok()? & 1;
        Some(Self { id: id.to_owned(), span: span.to_owned(), flags, state: None })
    }

    /// A place below this one, in the same trace.
    fn child(&self) -> Self {
        Self { span: random(8), ..self.clone() }
    }

    /// Where what a carried trace causes belongs: below it, or in a new trace if there is none.
    fn below(carried: Option<&Carried>) -> Self {
        let known = carried.and_then(|carried| Some((Self::parse(&carried.parent)?, carried)));
        known
            .map_or_else(Self::new, |(trace, carried)| Self { state: carried.state.clone(), ..trace.child() })
    }

    /// The id of the whole trace.
    pub(crate) fn id(&self) -> &str {
        &self.id
    }

    fn parent(&self) -> String {
        format!("00-{}-{}-{:02x}", self.id, self.span, self.flags)
    }

    /// As it goes with what it causes.
    pub(crate) fn carried(&self) -> Arc<Carried> {
        Arc::new(Carried { parent: self.parent(), state: self.state.clone() })
    }

    /// The headers by which it is passed on.
    pub(crate) fn headers(&self) -> Vec<(HeaderName, HeaderValue)> {
        let value = |text: &str| HeaderValue::from_str(text).ok();
        let parent = value(&self.parent()).map(|value| (TRACEPARENT, value));
        let state = self.state.as_deref().and_then(value).map(|value| (TRACESTATE, value));
        parent.into_iter().chain(state).collect()
    }
}

/// Section 3.3: members of several headers together, in their order. One that is not as the standard has it takes all with it.
fn state_of(headers: &HeaderMap) -> Option<String> {
    let mut members: Vec<&str> = Vec::new();
    for header in headers.get_all(&TRACESTATE) {
        members.extend(header.to_str().ok()?.split(',').map(|member| member.trim_matches([' ', '\t'])));
    }
    members.retain(|member| !member.is_empty());
    let names: Vec<&str> = members.iter().filter_map(|member| Some(member.split_once('=')?.0)).collect();
    let is_sound = names.len() == members.len()
        && members.len() <= MEMBERS_MAX
        && members.iter().all(|member| is_member(member))
        && names.iter().enumerate().all(|(at, name)| !names.iter().skip(at + 1).any(|other| other == name));
    let text = members.join(",");
    (is_sound && !text.is_empty() && text.len() <= STATE_MAX).then_some(text)
}

/// Sections 3.3.1.3.1 and 3.3.1.3.2: `key=value`.
fn is_member(member: &str) -> bool {
    let Some((key, value)) = member.split_once('=') else { return false };
    let is_name = |byte: u8| matches!(byte, b'a'..=b'z' | b'0'..=b'9' | b'_' | b'-' | b'*' | b'/');
    let is_part = |part: &str, starts: fn(u8) -> bool, longest: usize| {
        part.len() <= longest && part.bytes().next().is_some_and(starts) && part.bytes().all(is_name)
    };
    let is_key = match key.split_once('@') {
        None => is_part(key, |byte| byte.is_ascii_lowercase(), 256),
        Some((tenant, system)) => {
            is_part(tenant, |byte| byte.is_ascii_lowercase() || byte.is_ascii_digit(), 241)
                && is_part(system, |byte| byte.is_ascii_lowercase(), 14)
        }
    };
    let is_value = value.len() <= 256
        && !value.is_empty()
        && !value.ends_with(' ')
        && value.bytes().all(|byte| matches!(byte, 0x20..=0x7e) && !matches!(byte, b',' | b'='));
    is_key && is_value
}

/// So many random bytes in hexadecimal digits, never all zero.
fn random(length: usize) -> String {
    let mut bytes = vec![0; length];
    // Without randomness the machine could make no TLS connection either; an id that is not random is still an id.
    if SystemRandom::new().fill(&mut bytes).is_err() || bytes.iter().all(|byte| *byte == 0) {
        bytes.fill(1);
    }
    hex::encode(bytes)
}

/// The trace of a request that has arrived; its span becomes part of it.
pub(crate) fn arrived(span: &Span, headers: &HeaderMap) -> Arc<Trace> {
    let trace = begun(span, Trace::of(headers));
    span.record("trace.id", trace.id());
    Arc::new(trace)
}

/// Notes on the span of a request what was asked and answered; without the feature nobody reads it.
#[cfg_attr(not(feature = "otel"), allow(unused_variables, reason = "the log has it in the event itself"))]
pub(crate) fn answered(span: &Span, method: &'static str, route: &str, status: u16) {
    #[cfg(feature = "otel")]
    recorded::answered(span, method, route, status);
}

/// The trace of something that is sent, and its span. `carried` is what caused it.
pub(crate) fn sent(span: &Span, carried: Option<&Carried>) -> Trace {
    let trace = leaving(span, carried);
    span.record("trace.id", trace.id());
    trace
}

#[cfg(not(feature = "otel"))]
fn begun(_: &Span, caller: Option<Trace>) -> Trace {
    caller.map_or_else(Trace::new, |caller| caller.child())
}

#[cfg(not(feature = "otel"))]
fn leaving(_: &Span, carried: Option<&Carried>) -> Trace {
    Trace::below(carried)
}

#[cfg(feature = "otel")]
use recorded::{begun, leaving};

/// The same where spans are recorded: then the ids are those of the spans.
#[cfg(feature = "otel")]
mod recorded {
    use super::{Carried, Trace};
    use opentelemetry::Context;
    use opentelemetry::trace::{
        SpanContext, SpanId, Status, TraceContextExt, TraceFlags, TraceId, TraceState,
    };
    use tracing::Span;
    use tracing_opentelemetry::OpenTelemetrySpanExt;

    pub(super) fn begun(span: &Span, caller: Option<Trace>) -> Trace {
        let state = caller.as_ref().and_then(|caller| caller.state.clone());
        if let Some(context) = caller.as_ref().and_then(remote) {
            // It fails only for a span that nobody records.
            let _ = span.set_parent(context);
        }
        of(span, state).unwrap_or_else(|| caller.map_or_else(Trace::new, |caller| caller.child()))
    }

    pub(super) fn leaving(span: &Span, carried: Option<&Carried>) -> Trace {
        let known = carried.and_then(|carried| {
            Some(Trace { state: carried.state.clone(), ..Trace::parse(&carried.parent)? })
        });
        if let Some(context) = known.as_ref().and_then(remote) {
            // Its place is in the trace of its cause; what runs it here is a link.
            span.follows_from(Span::current());
            let _ = span.set_parent(context);
        }
        of(span, known.and_then(|known| known.state)).unwrap_or_else(|| Trace::below(carried))
    }

    /// The attributes that the semantic conventions of OpenTelemetry have for a server's span.
    pub(super) fn answered(span: &Span, method: &'static str, route: &str, status: u16) {
        span.set_attribute("http.request.method", method);
        span.set_attribute("http.route", route.to_owned());
        span.set_attribute("http.response.status_code", i64::from(status));
        if status >= 500 {
            span.set_status(Status::error(""));
        }
    }

    /// The place of a span that is recorded.
    fn of(span: &Span, state: Option<String>) -> Option<Trace> {
        let context = span.context();
        let place = context.span().span_context().clone();
        place.is_valid().then(|| Trace {
            id: place.trace_id().to_string(),
            span: place.span_id().to_string(),
            flags: u8::from(place.is_sampled()),
            state,
        })
    }

    fn remote(trace: &Trace) -> Option<Context> {
        let state = trace.state.as_deref().unwrap_or_default();
        let place = SpanContext::new(
            TraceId::from_hex(&trace.id).ok()?,
            SpanId::from_hex(&trace.span).ok()?,
            TraceFlags::new(trace.flags),
            true,
            state.parse().unwrap_or(TraceState::NONE),
        );
        Some(Context::new().with_remote_span_context(place))
    }
}

/// Runs something as part of a trace.
pub(crate) async fn within<T>(trace: Arc<Trace>, act: impl Future<Output = T>) -> T {
    TRACE.scope(trace, act).await
}

/// The trace of the request in progress.
pub(crate) fn current() -> Option<Arc<Trace>> {
    TRACE.try_with(Arc::clone).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    const ID: &str = "4bf92f3577b34da6a3ce929d0e0e4736";

    fn headers(all: &[(HeaderName, &str)]) -> HeaderMap {
        all.iter().map(|(name, value)| (name.clone(), value.parse().expect("a value"))).collect()
    }

    fn parent(text: &str) -> Option<Trace> {
        Trace::of(&headers(&[(TRACEPARENT, text)]))
    }

    // W3C Trace Context, section 3.2.2.3 has the examples; 3.2.4 what later versions may look like.
    #[test]
    fn a_parent_is_read_as_the_standard_has_it() {
        let read = parent("00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01").expect("valid");
        assert_eq!((read.id(), read.span.as_str(), read.flags), (ID, "00f067aa0ba902b7", 1));
        assert_eq!(read.parent(), "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01");
        assert_eq!(
            parent("00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-00").map(|read| read.flags),
            Some(0)
        );
        for later in [
            "cc-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01",
            "cc-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01-what-comes",
        ] {
            assert_eq!(parent(later).expect(later).id(), ID);
        }
        for wrong in [
            "",
            "00",
            "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7",
            "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01-more",
            "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-1",
            "00-4BF92F3577B34DA6A3CE929D0E0E4736-00f067aa0ba902b7-01",
            "00-4bf92f3577b34da6a3ce929d0e0e473-00f067aa0ba902b7-01",
            "00-00000000000000000000000000000000-00f067aa0ba902b7-01",
            "00-4bf92f3577b34da6a3ce929d0e0e4736-0000000000000000-01",
            "ff-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01",
            "cc-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01.more",
            "0x-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01",
        ] {
            assert_eq!(parent(wrong), None, "{wrong}");
        }
    }

    #[test]
    fn two_parents_are_none() {
        let text = "00-4bf92f3577b34da6a3ce929d0e0e4736-00f067aa0ba902b7-01";
        assert_eq!(Trace::of(&headers(&[(TRACEPARENT, text)])).map(|read| read.flags), Some(1));
        let mut twice = headers(&[(TRACEPARENT, text)]);
        twice.append(TRACEPARENT, text.parse().expect("a value"));
        assert_eq!(Trace::of(&twice), None);
    }

    // Section 3.3.1; the examples of 3.3.1.4 (with the values of the section's own systems exchanged).
    #[test]
    fn a_state_is_passed_on_as_it_is_or_not_at_all() {
        let state = |texts: &[&str]| {
            let mut all = HeaderMap::new();
            for text in texts {
                all.append(TRACESTATE, text.parse().expect("a value"));
            }
            state_of(&all)
        };
        assert_eq!(state(&["one=00f067aa0ba902b7"]).as_deref(), Some("one=00f067aa0ba902b7"));
        assert_eq!(state(&["one=a , two=b", "three=c"]).as_deref(), Some("one=a,two=b,three=c"));
        assert_eq!(state(&["1tenant@system=a b", ""]).as_deref(), Some("1tenant@system=a b"));
        for wrong in ["", "one", "One=a", "1=a", "one=", "one=a=b", "one=a,one=b", "@system=a", "one= é"] {
            assert_eq!(state(&[wrong]), None, "{wrong}");
        }
        let many = |count: usize| (0..count).map(|at| format!("m{at}=v")).collect::<Vec<_>>().join(",");
        assert!(state(&[&many(32)]).is_some());
        assert_eq!(state(&[&many(33)]), None);
        assert_eq!(state(&[&format!("a={},b={},c=d", "x".repeat(256), "x".repeat(256))]), None);
    }

    #[test]
    fn what_is_sent_is_below_its_cause_and_every_span_has_its_own_id() {
        let carried = Carried { parent: format!("00-{ID}-00f067aa0ba902b7-01"), state: Some("one=a".into()) };
        let (one, other) = (Trace::below(Some(&carried)), Trace::below(Some(&carried)));
        assert_eq!((one.id(), other.id(), one.flags), (ID, ID, 1));
        assert!(one.span != other.span && one.span != "00f067aa0ba902b7");
        let told: Vec<_> = one.headers().into_iter().map(|(_, value)| value).collect();
        assert_eq!(told, [one.parent().as_str(), "one=a"]);
        let (new, newer) = (Trace::below(None), Trace::new());
        assert!(new.id() != newer.id() && Trace::parse(&new.parent()) == Some(new));
    }
}
