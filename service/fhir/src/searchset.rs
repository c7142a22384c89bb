//! The answer to a search as text, with the stored bodies put in as they are: nothing is parsed to be written again.
//!
//! Source: FHIR R4 Bundle, type `searchset`.

use crate::Json;
use crate::bundle::Mode;

/// One resource of the answer.
#[derive(Clone, Debug, PartialEq)]
pub struct Hit {
    /// Its URL; nothing for an outcome.
    pub full_url: Option<String>,
    /// The resource as JSON text.
    pub body: String,
    /// Why it is there.
    pub mode: Mode,
}

/// The Bundle. `links` are (relation, URL), of which R4 wants `self`. Without hits there is no `entry` at all.
pub fn text(total: Option<u64>, links: &[(&str, String)], hits: &[Hit]) -> String {
    let mut text = String::with_capacity(512 + hits.iter().map(|hit| hit.body.len() + 160).sum::<usize>());
    text.push_str(r#"{"resourceType":"Bundle","type":"searchset""#);
    if let Some(total) = total {
        text.push_str(r#","total":"#);
        text.push_str(&total.to_string());
    }
    text.push_str(r#","link":["#);
    for (at, (relation, url)) in links.iter().enumerate() {
        text.push_str(if at > 0 { "," } else { "" });
        text.push_str(r#"{"relation":"#);
        push_string(&mut text, relation);
        text.push_str(r#","url":"#);
        push_string(&mut text, url);
        text.push('}');
    }
    text.push(']');
    for (at, hit) in hits.iter().enumerate() {
        text.push_str(if at > 0 { "," } else { r#","entry":["# });
        text.push('{');
        if let Some(url) = &hit.full_url {
            text.push_str(r#""fullUrl":"#);
            push_string(&mut text, url);
            text.push(',');
        }
        text.push_str(r#""resource":"#);
        text.push_str(&hit.body);
        text.push_str(r#","search":{"mode":""#);
        text.push_str(match hit.mode {
            Mode::Match => "match",
            Mode::Include => "include",
            Mode::Outcome => "outcome",
        });
        text.push_str("\"}}");
    }
    text.push_str(if hits.is_empty() { "}" } else { "]}" });
    text
}

fn push_string(text: &mut String, value: &str) {
    text.push_str(&Json::from(value).to_string());
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn it_is_the_same_bundle_as_one_made_of_values() {
        let links = [("self", "https://x.example/fhir/Task?code=\"a\"".to_owned())];
        let resource = json!({ "resourceType": "Task", "id": "1" });
        let hit = |full_url: Option<&str>, mode| Hit {
            full_url: full_url.map(str::to_owned),
            body: resource.to_string(),
            mode,
        };
        let hits = [hit(Some("https://x.example/fhir/Task/1"), Mode::Match), hit(None, Mode::Outcome)];
        let read: Json = serde_json::from_str(&text(Some(7), &links, &hits)).unwrap();
        let entries = json!([
            { "fullUrl": "https://x.example/fhir/Task/1", "resource": resource, "search": { "mode": "match" } },
            { "resource": resource, "search": { "mode": "outcome" } },
        ]);
        let link = json!([{ "relation": "self", "url": "https://x.example/fhir/Task?code=\"a\"" }]);
        let whole = json!({ "resourceType": "Bundle", "type": "searchset", "total": 7, "link": link, "entry": entries });
        assert_eq!(read, whole);
        let empty: Json = serde_json::from_str(&text(None, &links, &[])).unwrap();
        assert_eq!((empty.get("entry"), empty.get("total")), (None, None));
    }
}
