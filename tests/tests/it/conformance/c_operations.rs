//! C. Operations: FHIR R4 operations.html and the published OperationDefinitions.
