//! The one way to find: pages of resources that meet a query.

use crate::Endplate;
use crate::ports::Stored;
use crate::refusal::{Reason, Refusal};
use endplate_fhir::bundle::{self, Found, Mode};
use endplate_fhir::{Json, TYPES, search};

impl Endplate {
    /// A page of resources that meet all parameters, as a searchset with `self` and, unless it is the last, `next`.
    pub async fn search(&self, kind: &str, pairs: &[(String, String)]) -> Result<Json, Refusal> {
        if !TYPES.contains(&kind) {
            return Err(Refusal::unknown_type());
        }
        let base = &self.settings.base;
        let query = search::parse(kind, pairs, base)
            .map_err(|issues| Refusal { reason: Reason::Malformed, issues })?;
        let page = self.store.search(&query).await?;
        let address = |pairs: &[(String, String)]| {
            let query: String = form_urlencoded::Serializer::new(String::new()).extend_pairs(pairs).finish();
            if query.is_empty() { format!("{base}/{kind}") } else { format!("{base}/{kind}?{query}") }
        };
        let mut links = vec![("self", address(pairs))];
        if let Some(next) = &page.next {
            let mut pairs: Vec<(String, String)> =
                pairs.iter().filter(|(name, _)| name != "_after").cloned().collect();
            pairs.push(("_after".to_owned(), next.to_string()));
            links.push(("next", address(&pairs)));
        }
        let found = |stored: Stored| Found {
            full_url: Some(format!("{base}/{}/{}", stored.kind, stored.id)),
            resource: endplate_fhir::json::stored(&stored.body),
            mode: Mode::Match,
        };
        Ok(bundle::searchset(Some(page.total), &links, page.resources.into_iter().map(found).collect()))
    }
}
