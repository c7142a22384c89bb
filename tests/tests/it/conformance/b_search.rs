//! B. Search: FHIR R4 search.html.
