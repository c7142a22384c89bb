//! Any bytes as a Bundle: read, opened and validated, or refused with a sentence, never a panic.
#![no_main]

use endplate_fhir::{bundle, json, reference, validate};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let Ok(value) = json::parse(bytes) else { return };
    _ = validate::resource(&value);
    reference::each(&value, &mut |path, _| assert!(!path.is_empty()));
    match bundle::transaction(&value) {
        Ok(entries) => entries.iter().for_each(|entry| _ = validate::resource(&entry.resource)),
        Err(issues) => assert!(!issues.is_empty()),
    }
    _ = bundle::batch(&value);
});
