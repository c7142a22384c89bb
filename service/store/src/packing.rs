//! Bodies as they are kept: packed by Zstandard (RFC 8878) with a dictionary of what resources of this service have in common, which makes
//! them a seventh as large. One that was written before, or by an instance that does not pack, is kept as it is. How a body begins says
//! which it is: no text begins as a frame does, whose second byte is none of UTF-8.

use crate::sql::Dialect;
use endplate_followup::ports::Put;
use std::cell::RefCell;
use std::sync::LazyLock;
use zstd::bulk::{Compressor, Decompressor};
use zstd::dict::{DecoderDictionary, EncoderDictionary};
use zstd::zstd_safe::{self, CParameter};

/// What bodies have in common. It never changes: what was packed with it is read with it.
const DICTIONARY: &[u8] = include_bytes!("../dictionary/1");
/// How hard to try. A third level makes bodies 6 % smaller and takes a fifth longer.
const LEVEL: i32 = 1;
/// What every frame begins with (RFC 8878, section 3.1.1).
const BEGINNING: [u8; 4] = [0x28, 0xB5, 0x2F, 0xFD];
/// No body is as large: what is taken in is limited to far less.
const BYTES_MAX: u64 = 1 << 30;

static PACKING: LazyLock<EncoderDictionary<'static>> =
    LazyLock::new(|| EncoderDictionary::copy(DICTIONARY, LEVEL));
static UNPACKING: LazyLock<DecoderDictionary<'static>> =
    LazyLock::new(|| DecoderDictionary::copy(DICTIONARY));

thread_local! {
    // Their tables are as large as a hundred bodies: each thread makes them once.
    static PACKER: RefCell<Option<Compressor<'static>>> = RefCell::new(packer().ok());
    static UNPACKER: RefCell<Option<Decompressor<'static>>> =
        RefCell::new(Decompressor::with_prepared_dictionary(&UNPACKING).ok());
}

fn packer() -> std::io::Result<Compressor<'static>> {
    let mut packer = Compressor::with_prepared_dictionary(&PACKING)?;
    packer.set_parameter(CParameter::ChecksumFlag(true))?;
    Ok(packer)
}

/// The question whether a store packs what is written to it.
pub(crate) const PACKS: &str = "select count(*) > 0 from packing where dictionary = 1";

/// A body, packed; none where there is nothing to pack, as of a deletion: then it is kept as it is.
pub fn packed(body: &str) -> Option<Vec<u8>> {
    if body.is_empty() {
        return None;
    }
    PACKER.with_borrow_mut(|packer| packer.as_mut()?.compress(body.as_bytes()).ok())
}

/// The same of all these, where the store packs.
pub(crate) fn all_packed<'a>(puts: impl Iterator<Item = &'a Put>, packs: bool) -> Vec<Option<Vec<u8>>> {
    puts.map(|put| if packs { packed(&put.stored.body) } else { None }).collect()
}

/// A body as it was put, from how it is kept.
///
/// # Errors
/// It is damaged, or was packed with another dictionary.
pub fn unpacked(kept: &[u8]) -> Result<String, sqlx::Error> {
    let wrong = |source: Box<dyn std::error::Error + Send + Sync>| sqlx::Error::Decode(source);
    if !kept.starts_with(&BEGINNING) {
        return String::from_utf8(kept.to_vec()).map_err(|error| wrong(error.into()));
    }
    let bytes = zstd_safe::get_frame_content_size(kept).ok().flatten().filter(|bytes| *bytes <= BYTES_MAX);
    let bytes = bytes.ok_or_else(|| wrong("a packed body does not say how large it is".into()))?;
    let body = UNPACKER.with_borrow_mut(|unpacker| match unpacker {
        Some(unpacker) => unpacker.decompress(kept, bytes as usize).map_err(|error| wrong(error.into())),
        None => Err(wrong("there is no memory to unpack bodies".into())),
    })?;
    String::from_utf8(body).map_err(|error| wrong(error.into()))
}

/// The body of a version `v`, however it is kept, where a statement is one text.
macro_rules! body {
    (sqlite) => {
        "coalesce(v.packed, v.body)"
    };
    (postgres) => {
        "coalesce(v.packed, convert_to(v.body, 'UTF8'))"
    };
}
pub(crate) use body;

/// The same where a statement is put together.
pub(crate) const fn column(dialect: Dialect) -> &'static str {
    match dialect {
        Dialect::Sqlite => body!(sqlite),
        Dialect::Postgres => body!(postgres),
    }
}
