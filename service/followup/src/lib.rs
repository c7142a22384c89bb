//! followup
