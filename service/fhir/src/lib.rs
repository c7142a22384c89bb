//! fhir
