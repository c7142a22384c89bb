//! Any text as search criteria: read or refused with a sentence, never a panic.
#![no_main]

use endplate_fhir::search;
use libfuzzer_sys::fuzz_target;

fuzz_target!(|text: &str| {
    if let Err(issues) = search::criteria(text, "https://records.example/fhir") {
        assert!(issues.iter().all(|issue| !issue.text.is_empty()) && !issues.is_empty());
    }
});
