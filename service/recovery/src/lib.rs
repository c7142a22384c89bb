//! recovery
