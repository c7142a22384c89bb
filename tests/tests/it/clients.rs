//! Two FHIR client libraries that know nothing of the service drive it: `fhirclient` and `fhirpy`, both from PyPI.

use crate::python;
use crate::served::Served;

/// What `tests/reference/clients.py` does with each: create, read, update, search, pages, conditional create, transaction, patch, delete.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn two_client_libraries_find_what_r4_promises() {
    let served = Served::open("2026-03-02").await;
    let base = format!("http://{}/fhir", served.server.local_addr());
    let output = tokio::task::spawn_blocking(move || python::script("clients.py", &[&base])).await.unwrap();
    let said = String::from_utf8_lossy(&output.stdout);
    let wrong = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{said}\n{wrong}");
    for library in ["fhirclient: ", "fhirpy: "] {
        let done =
            said.lines().filter(|line| line.starts_with(library) && line.ends_with("as R4 says")).count();
        assert!(done >= 13, "{library}did only {done} things\n{said}");
    }
}
