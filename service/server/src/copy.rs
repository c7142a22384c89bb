//! `endplate copy`: one store's whole content into another.

use crate::config::StoreUrl;
use crate::fault::Fault;
use endplate_store::CopyError;
use endplate_store::copy::Progress;
use indicatif::{ProgressBar, ProgressStyle};
use std::error::Error;
use std::fmt::Write;
use std::sync::atomic::{AtomicU64, Ordering};

/// Copies the store at `from` into the one at `to`, or goes on doing so, and says what both hold.
///
/// # Errors
/// An address is none (2), or a store cannot be used or does not hold what was copied (3).
pub async fn run(from: &str, to: &str) -> Result<String, Fault> {
    let url = |option: &str, text: &str| match StoreUrl::parse(text) {
        Ok(StoreUrl::Memory) => Err(Fault::Usage(format!("{option} must be a store that lasts"))),
        Ok(url) => Ok(url),
        Err(wanted) => Err(Fault::Usage(format!("{option} {wanted}"))),
    };
    let (from, to) = (url("--from", from)?, url("--to", to)?);
    // Hidden by itself where standard error is no terminal: a line now and then says as much there.
    let progress = ProgressBar::new(0);
    let shape = "{bar:40} {percent} % of {len} rows {msg}, {per_sec}, {elapsed}, {eta} to go";
    if let Ok(style) = ProgressStyle::with_template(shape) {
        progress.set_style(style);
    }
    let steps = AtomicU64::new(0);
    progress.set_message("(being counted)");
    progress.tick();
    if progress.is_hidden() {
        eprintln!("counting the rows of {from}");
    }
    let told = |Progress { table, rows, all, is_verifying }| {
        // A clinic that goes on meanwhile adds some.
        let all = all.max(rows);
        let tenth = rows * 10 / all.max(1);
        let step = tenth + if is_verifying { 11 } else { 0 };
        if steps.swap(step, Ordering::Relaxed) != step && progress.is_hidden() {
            let done = if is_verifying { "compared" } else { "copied" };
            eprintln!("{done}: {} % of {all} rows", tenth * 10);
        }
        progress.set_length(all);
        progress.set_position(rows);
        progress.set_message(format!("{} {table}", if is_verifying { "compared," } else { "copied," }));
    };
    let copied = endplate_store::copy(&from.address(), &to.address(), &told).await;
    progress.finish_and_clear();
    let mut text = format!("copied {from} to {to}\n");
    for one in copied.map_err(|error| fault(&error))? {
        let _ = writeln!(text, "{:<17} {:>10} rows  sha256 {}", one.table, one.rows, one.hash);
    }
    Ok(text)
}

fn fault(error: &CopyError) -> Fault {
    let cause = error.source().map(|cause| format!(" ({cause})")).unwrap_or_default();
    Fault::Environment(format!("{error}{cause}"))
}
