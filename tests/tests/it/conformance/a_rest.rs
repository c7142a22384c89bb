//! A. The REST interface: FHIR R4 http.html and RFC 9110.
