//! What is published: profiles, extensions, codes, search parameters, operations, the plan and its parameters. `endplate
//! publish` writes it as a FHIR package; `http/published.rs` serves it.
//!
//! Most of it is made by `profiles/make` and built in. The search parameters of our own and the CapabilityStatement are made
//! here, from what the search table and the offers say.

mod files;

use crate::fault::Fault;
use crate::http::metadata;
use endplate_fhir::Json;
use endplate_fhir::index::{self, Param};
use endplate_followup::code::EP;
use flate2::{Compression, GzBuilder};
use serde_json::json;
use std::borrow::Cow;
use std::io;
use std::path::Path;
use std::sync::LazyLock;

/// Types that are published and not stored, sorted. Of the stored types only one ConceptMap is published, as an example.
pub const TYPES: &[&str] = &[
    "CapabilityStatement",
    "CodeSystem",
    "Library",
    "Measure",
    "OperationDefinition",
    "PlanDefinition",
    "SearchParameter",
    "StructureDefinition",
    "ValueSet",
];

/// The ConceptMap that is published as an example: its id.
pub const EXAMPLE_MAP: &str = "example-hospital-codes";

/// The name of the package.
const PACKAGE: &str = "endplate.follow-up";

/// When what is made here was last changed: the date of the resources.
const PUBLISHED_ON: &str = "2026-01-05";

/// Largest body that the published CapabilityStatement speaks of: the default.
const BODY_BYTES: usize = 5 << 20;

/// A published resource, with what it is found by.
#[derive(Debug)]
pub struct Published {
    /// Its type.
    pub kind: String,
    /// Its id.
    pub id: String,
    /// Its canonical URL.
    pub url: String,
    /// Its business version.
    pub version: String,
    /// Its name for programs.
    pub name: String,
    /// Its publication status.
    pub status: String,
    /// Its JSON text.
    pub body: Cow<'static, str>,
    /// Hash of the text: what an ETag is made of.
    pub hash: u64,
}

impl Published {
    fn of(body: Cow<'static, str>) -> Self {
        let value = serde_json::from_str::<Json>(&body).unwrap_or_default();
        let member = |name: &str| value[name].as_str().unwrap_or_default().to_owned();
        Self {
            kind: member("resourceType"),
            id: member("id"),
            url: member("url"),
            version: member("version"),
            name: member("name"),
            status: member("status"),
            hash: fnv1a(body.as_bytes()),
            body,
        }
    }

    /// The resource.
    pub fn resource(&self) -> Json {
        serde_json::from_str(&self.body).unwrap_or_default()
    }

    /// Its name as a file.
    fn file_name(&self) -> String {
        format!("{}-{}.json", self.kind, self.id)
    }
}

/// FNV-1a, 64 bits: the same on every machine.
pub(crate) fn fnv1a(bytes: &[u8]) -> u64 {
    bytes
        .iter()
        .fold(0xcbf2_9ce4_8422_2325, |hash, byte| (hash ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3))
}

/// Everything that is published, sorted by type and id.
pub fn all() -> &'static [Published] {
    static ALL: LazyLock<Vec<Published>> = LazyLock::new(|| {
        let mut all: Vec<Published> =
            files::FILES.iter().map(|(_, text)| Published::of(Cow::Borrowed(text))).collect();
        let made = search_parameters().chain([capability_statement()]);
        all.extend(made.map(|resource| Published::of(Cow::Owned(resource.to_string()))));
        all.sort_by(|a, b| (&a.kind, &a.id).cmp(&(&b.kind, &b.id)));
        all
    });
    &ALL
}

/// The published resource of a type and an id.
pub fn find(kind: &str, id: &str) -> Option<&'static Published> {
    all().iter().find(|one| one.kind == kind && one.id == id)
}

/// The canonical URLs of our profiles of a type.
pub fn profiles(kind: &str) -> Vec<String> {
    let of = files::PROFILES.iter().filter(|(of, _)| *of == kind);
    of.map(|(_, id)| format!("{EP}/StructureDefinition/{id}")).collect()
}

/// The canonical URL of a search parameter of our own.
pub fn search_parameter_url(kind: &str, name: &str) -> String {
    format!("{EP}/SearchParameter/{kind}-{name}")
}

/// The SearchParameter of each parameter that R4 does not have.
fn search_parameters() -> impl Iterator<Item = Json> {
    endplate_fhir::TYPES.iter().flat_map(|kind| {
        index::params(kind).iter().filter(|param| param.ours).map(|param| search_parameter(kind, param))
    })
}

/// A path as FHIRPath has it: the type of a value that may be of several is asked for.
fn path_of(kind: &str, path: &str) -> String {
    match path.split_once(".valueDate") {
        Some((holder, "")) => format!("({kind}.{holder}.value as date)"),
        _ => format!("{kind}.{path}"),
    }
}

fn search_parameter(kind: &str, param: &Param) -> Json {
    let paths: Vec<String> = param.paths.iter().map(|path| path_of(kind, path)).collect();
    let mut expression = paths.join(" | ");
    if let Some(target) = param.target {
        expression = format!("({expression}).where(resolve() is {target})");
    }
    let id = format!("{kind}-{}", param.name);
    let title = format!("Search parameter {} of {kind}", param.name);
    let description =
        format!("Finds {kind} by {}. This service's own: R4 has no such parameter.", paths.join(", "));
    let mut resource = json!({
        "resourceType": "SearchParameter",
        "id": id,
        "text": { "status": "generated", "div": format!(
            "<div xmlns=\"http://www.w3.org/1999/xhtml\"><h2>{title}</h2><p>{description}</p></div>"
        ) },
        "url": search_parameter_url(kind, param.name),
        "version": "1.0.0",
        "name": format!("{kind}_{}", param.name.replace('-', "_")),
        "status": "active",
        "experimental": false,
        "date": PUBLISHED_ON,
        "publisher": "Endplate",
        "description": description,
        "code": param.name,
        "base": [kind],
        "type": param.kind.code(),
        "expression": expression,
    });
    if let Some(target) = param.target {
        resource["target"] = json!([target]);
    }
    resource
}

/// The CapabilityStatement of any such service: that of an instance, without what belongs to the instance.
fn capability_statement() -> Json {
    let statement = metadata::statement(EP, BODY_BYTES);
    let mut made = json!({
        "resourceType": "CapabilityStatement",
        "id": "endplate",
        "text": { "status": "generated", "div":
            "<div xmlns=\"http://www.w3.org/1999/xhtml\"><p>What this service offers.</p></div>" },
        "url": format!("{EP}/CapabilityStatement/endplate"),
    });
    if let (Some(made), Json::Object(members)) = (made.as_object_mut(), statement) {
        let kept = |name: &str| !matches!(name, "resourceType" | "url" | "implementation" | "instantiates");
        made.extend(members.into_iter().filter(|(name, _)| kept(name)));
        made.insert("kind".to_owned(), json!("capability"));
        made.insert("publisher".to_owned(), json!("Endplate"));
        made.insert("description".to_owned(), json!("What this service offers."));
    }
    made
}

/// `endplate publish`: writes `package.tgz` into a folder, and beside it the same files in the folder `package`. One line
/// that says what was done.
///
/// # Errors
/// The folder cannot be written to.
pub fn run(out: &Path) -> Result<String, Fault> {
    let written = write(out).map_err(|error| {
        let place = out.display();
        Fault::Environment(format!(
            "cannot write to {place} ({}): give another folder with --out",
            error.kind()
        ))
    })?;
    Ok(format!(
        "{written} resources in {} and {}\n",
        out.join("package.tgz").display(),
        out.join("package").display()
    ))
}

fn write(out: &Path) -> io::Result<usize> {
    let folder = out.join("package");
    std::fs::create_dir_all(&folder)?;
    let files = package_files();
    for (name, text) in &files {
        std::fs::write(folder.join(name), text.as_bytes())?;
    }
    std::fs::write(out.join("package.tgz"), packed(&files)?)?;
    Ok(all().len())
}

/// The files of the package (FHIR NPM package specification): the manifest, the index, and each resource.
fn package_files() -> Vec<(String, Cow<'static, str>)> {
    let manifest = json!({
        "name": PACKAGE,
        "version": env!("CARGO_PKG_VERSION"),
        "description": "Profiles, extensions, codes, search parameters, operations and the plan of Endplate: follow-up of \
                        peripheral nerve repairs. Supports and does not replace the judgement of the treating surgeon.",
        "title": "Endplate",
        "canonical": EP,
        "type": "fhir.ig",
        "author": "Endplate",
        "license": "MIT OR Apache-2.0",
        "fhirVersions": ["4.0.1"],
        "dependencies": { "hl7.fhir.r4.core": "4.0.1" },
    });
    let rows: Vec<Json> = all().iter().map(index_row).collect();
    let index = json!({ "index-version": 1, "files": rows });
    let mut files = vec![
        ("package.json".to_owned(), Cow::Owned(format!("{manifest:#}\n"))),
        (".index.json".to_owned(), Cow::Owned(format!("{index:#}\n"))),
    ];
    files.extend(all().iter().map(|one| (one.file_name(), Cow::Borrowed(one.body.as_ref()))));
    files
}

fn index_row(one: &Published) -> Json {
    let resource = one.resource();
    let mut row = json!({ "filename": one.file_name(), "resourceType": one.kind, "id": one.id, "url": one.url,
        "version": one.version });
    for name in ["kind", "type"] {
        if let Some(value) = resource[name].as_str() {
            row[name] = json!(value);
        }
    }
    row
}

/// The files as a gzipped tar; the same files give the same bytes.
fn packed(files: &[(String, Cow<'static, str>)]) -> io::Result<Vec<u8>> {
    // 255: the system it was made on is not told.
    let gzip = GzBuilder::new().mtime(0).operating_system(255).write(Vec::new(), Compression::best());
    let mut archive = tar::Builder::new(gzip);
    for (name, text) in files {
        let mut header = tar::Header::new_ustar();
        header.set_size(text.len() as u64);
        header.set_mode(0o644);
        header.set_mtime(0);
        archive.append_data(&mut header, format!("package/{name}"), text.as_bytes())?;
    }
    archive.into_inner()?.finish()
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn the_list_of_files_is_that_of_the_resources() {
        for (name, text) in files::FILES {
            assert_eq!(Published::of(Cow::Borrowed(text)).file_name(), *name);
        }
        let kinds: BTreeSet<&str> = all().iter().map(|one| one.kind.as_str()).collect();
        let known: BTreeSet<&str> = TYPES.iter().copied().chain(["ConceptMap"]).collect();
        assert_eq!(kinds, known);
        assert!(find("ConceptMap", EXAMPLE_MAP).is_some());
    }

    #[test]
    fn profiles_of_a_type_are_named() {
        assert_eq!(profiles("Procedure"), [format!("{EP}/StructureDefinition/nerve-repair")]);
        assert_eq!(profiles("Observation").len(), 6);
        assert!(profiles("Extension").is_empty());
        for (kind, id) in files::PROFILES {
            let profile = find("StructureDefinition", id).expect("a profile").resource();
            assert_eq!((&profile["type"], &profile["kind"]), (&json!(kind), &json!("resource")));
        }
    }

    #[test]
    fn the_same_package_is_the_same_bytes() {
        let files = package_files();
        assert_eq!(packed(&files).expect("a package"), packed(&package_files()).expect("a package"));
    }

    // The published test vectors of FNV-1a (draft-eastlake-fnv, 64-bit, "" and "foobar").
    #[test]
    fn hashes_are_fnv1a() {
        assert_eq!((fnv1a(b""), fnv1a(b"foobar")), (0xcbf2_9ce4_8422_2325, 0x8594_4171_f739_67e8));
    }
}
