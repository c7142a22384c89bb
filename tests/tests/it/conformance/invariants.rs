//! INV. R4's invariants, which its JSON Schema cannot express: FHIR R4 StructureDefinitions, element constraints.
