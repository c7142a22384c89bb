//! Migrations that have been released stay as they are: a database that has one would be refused, and a fresh one be another.

use sha2::{Digest, Sha256};
use std::collections::BTreeMap;
use std::fmt::Write;
use std::path::Path;

/// SHA-256 of each; a new one gets its line in the commit that brings it.
const RELEASED: [(&str, &str); 8] = [
    ("postgres/0001_house.sql", "243ed26471264dbeb77992d757b10313d40503b8b5ec3182182cc8d337489489"),
    ("postgres/0002_copying.sql", "30688cf56da41ab1461a973c4eecc62707e2b65ebeea6a1a4dfa51a3b4c4c75a"),
    ("postgres/0003_trace.sql", "8ee0f8f5e93271d93f40d8b353251c752c7961b665691d3bc49b809a9ff8f9e4"),
    ("postgres/0004_open.sql", "9ce979173141813a19a5ac635e1a8518cb060e7385a15c590ea025d9bab34fb2"),
    ("sqlite/0001_house.sql", "ef3f5c258a89738a3b4cc53a46f0b0e3215cabf4cbc0f29fc0d131697ccdcf1f"),
    ("sqlite/0002_copying.sql", "c3328abee9c938e238e7e23f8022b416c4b643daa93037921e0a07866d26f89e"),
    ("sqlite/0003_trace.sql", "8ee0f8f5e93271d93f40d8b353251c752c7961b665691d3bc49b809a9ff8f9e4"),
    ("sqlite/0004_open.sql", "061c915721c13000c3a4f51583dc16dde2e55a667e934adfa3a910838f22d3cb"),
];

#[test]
fn a_released_migration_is_not_edited() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("migrations");
    let mut found = BTreeMap::new();
    for dialect in ["postgres", "sqlite"] {
        for file in std::fs::read_dir(folder.join(dialect)).unwrap() {
            let path = file.unwrap().path();
            let name = format!("{dialect}/{}", path.file_name().unwrap().display());
            let hash = Sha256::digest(std::fs::read(&path).unwrap());
            let mut text = String::new();
            for byte in hash {
                write!(text, "{byte:02x}").unwrap();
            }
            found.insert(name, text);
        }
    }
    let released = RELEASED.map(|(name, hash)| (name.to_owned(), hash.to_owned()));
    assert_eq!(found, BTreeMap::from(released));
}
