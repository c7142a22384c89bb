//! `$validate` (FHIR R4 OperationDefinition Resource-validate): the same decision as a write, which is then not committed.

use super::{Inputs, cannot, missing, wrong};
use crate::code::structure;
use crate::grant::Right;
use crate::intake::repair;
use crate::refusal::Refusal;
use crate::{Endplate, element};
use endplate_fhir::bundle::{Address, Entry, Method};
use endplate_fhir::issue::{self, Code, Issue};
use endplate_fhir::{Json, TYPES, validate};

/// Where R4's own profiles are.
const R4: &str = "http://hl7.org/fhir/StructureDefinition/";

/// Which interaction is checked.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Mode {
    Create,
    Update,
    Delete,
}

impl Mode {
    /// Without `mode` the interaction is the one that the address suggests: create at a type, update at an instance.
    fn of(mode: Option<&str>, is_instance: bool) -> Result<Self, Refusal> {
        let text = match (mode, is_instance) {
            (None, false) | (Some("create"), _) => return Ok(Self::Create),
            (None | Some("update"), true) => return Ok(Self::Update),
            (Some("delete"), true) => return Ok(Self::Delete),
            (Some("update" | "delete"), false) => {
                "The modes update and delete are about one resource: send them to Type/id/$validate."
            }
            (Some(_), _) => "The mode is create, update or delete; send one of these, or none.",
        };
        Err(wrong("Parameters.parameter.value", text))
    }
}

impl Endplate {
    /// What `$validate` answers: an OperationOutcome that says whether a resource would be accepted. No error in it means that
    /// it would. Nothing is stored.
    ///
    /// # Errors
    /// The validation cannot be done: an unknown type, mode or profile, no resource, a mode that the address does not allow.
    pub async fn validation(&self, kind: &str, id: Option<&str>, inputs: &Inputs) -> Result<Json, Refusal> {
        if !TYPES.contains(&kind) {
            return Err(Refusal::unknown_type());
        }
        inputs.only(&["resource", "mode", "profile"])?;
        let mode = Mode::of(inputs.text("mode")?.as_deref(), id.is_some())?;
        self.permit(
            match mode {
                Mode::Create => Right::Create,
                Mode::Update => Right::Update,
                Mode::Delete => Right::Delete,
            },
            kind,
        )?;
        let id = id.filter(|_| mode != Mode::Create);
        if let (Mode::Delete, Some(id)) = (mode, id) {
            self.read(kind, id).await?;
            let entry = Entry::alone(Method::Delete, kind, Address::Id(id.to_owned()), Json::Null);
            return Ok(issue::outcome(&self.told(vec![entry], false).await?));
        }
        let resource = inputs.structure("resource")?.ok_or_else(|| missing("resource"))?;
        let mut issues = Vec::new();
        if let Some(profile) = inputs.text("profile")? {
            issues.extend(self.against(&profile, kind, resource).await?);
        }
        let entry = match id {
            Some(id) => Entry::alone(Method::Put, kind, Address::Id(id.to_owned()), resource.clone()),
            None => Entry::alone(Method::Post, kind, Address::New, resource.clone()),
        };
        issues.extend(validate::practice(resource));
        issues.extend(self.told(vec![entry], false).await?);
        Ok(issue::outcome(&issues))
    }

    /// What a profile asks beyond R4 and the rules for every record.
    async fn against(&self, profile: &str, kind: &str, resource: &Json) -> Result<Vec<Issue>, Refusal> {
        let plain = profile.split_once('|').map_or(profile, |(plain, _)| plain);
        if let Some(of) = plain.strip_prefix(R4).filter(|of| TYPES.contains(of)) {
            let text = "The profile is of another type than the address; send the one that fits.";
            let other = Issue::error(Code::Invalid, "resourceType", text);
            return Ok(if of == kind { Vec::new() } else { vec![other] });
        }
        if plain != structure("nerve-repair") {
            let text = "This profile is not known here, so nothing was validated; CapabilityStatement names those that are.";
            return Err(cannot(Code::NotSupported, text));
        }
        let (_, maps) = self.maps().await?;
        let translated = maps.translate(resource);
        let read = translated.as_ref().unwrap_or(resource);
        if element::text(read, &["resourceType"]) == Some("Procedure") && repair::technique(read).is_some() {
            return Ok(Vec::new());
        }
        let text = format!(
            "A nerve repair is a Procedure whose code is of {}, or is translated to it by a stored ConceptMap.",
            crate::code::system("repair-technique")
        );
        Ok(vec![Issue::error(Code::CodeInvalid, "Procedure.code", text)])
    }
}
