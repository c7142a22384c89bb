//! Canonical addresses of everything that this service publishes and reads.

/// The canonical base of all profiles, code systems and search parameters.
pub const EP: &str = "https://endplate.example/fhir";

/// UCUM, the code system of units.
pub const UCUM: &str = "http://unitsofmeasure.org";

/// The address of one of our code systems.
pub fn system(name: &str) -> String {
    format!("{EP}/CodeSystem/{name}")
}

/// The address of one of our extensions or profiles.
pub fn structure(name: &str) -> String {
    format!("{EP}/StructureDefinition/{name}")
}

/// The address of one of our identifier systems.
pub fn identifier(name: &str) -> String {
    format!("{EP}/identifier/{name}")
}
