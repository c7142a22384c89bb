//! D. Modelling: what resources mean here, after their R4 StructureDefinitions.
