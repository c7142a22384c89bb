//! H. Data integrity: FHIR R4 json.html, datatypes.html, narrative.html, security.html.
