//! Makes a dictionary for bodies from those of a store: what many of them have in common. `../dictionary/README.md` says when and how.

use endplate_followup::ports::{Past, Store};
use endplate_store::open;
use std::error::Error;
use std::sync::Arc;

/// As large as what the resources of this service have in common.
const BYTES: usize = 32 << 10;

/// Every version of a type, or of all types but the two of the service itself.
async fn bodies(store: &Arc<dyn Store>, kind: Option<&str>) -> Result<Vec<String>, Box<dyn Error>> {
    let kind = kind.map(str::to_owned);
    let mut past = Past { kind, id: None, since_ms: None, during_ms: None, count: 500, after: None };
    let mut bodies = Vec::new();
    loop {
        let page = store.history(&past).await?;
        bodies.extend(page.versions.into_iter().map(|version| version.stored.body));
        past.after = page.next;
        if past.after.is_none() {
            return Ok(bodies);
        }
    }
}

#[tokio::main]
async fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [address, file] = arguments.as_slice() else {
        return Err("give the address of a store and the file to write".into());
    };
    let store = open(address).await?;
    let mut samples = bodies(&store, None).await?;
    samples.extend(bodies(&store, Some("AuditEvent")).await?);
    samples.retain(|body| !body.is_empty());
    let dictionary = zstd::dict::from_samples(&samples, BYTES)?;
    std::fs::write(file, &dictionary)?;
    println!("{} bytes from {} bodies", dictionary.len(), samples.len());
    Ok(())
}
