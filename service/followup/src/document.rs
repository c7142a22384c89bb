//! What every derived resource has in common.

use crate::code;
use crate::derivation::bare;
use crate::identity;
use crate::object::json;
use crate::ports::Stored;
use endplate_fhir::Json;
use endplate_recovery::repair::Place;
use endplate_recovery::unit::{Date, Mm, Probability};

/// Said by every plan, assessment and alert.
pub const CAUTION: &str = "This supports and does not replace the judgement of the treating surgeon. Local protocols and licensed \
practice govern. Its expectations come from published averages: they are chances and dates, not certainties, and no operation is \
ordered by it.";

/// Id of the Device that stands for this service.
pub const DEVICE_ID: &str = "endplate";

/// A derived resource under construction, with its type, stable id and origin tag.
pub fn derived(kind: &str, id: &str, members: Json) -> Json {
    let mut resource = json!({
        "resourceType": kind,
        "id": id,
        "meta": { "tag": [{ "system": code::system("origin"), "code": "derived" }] },
    });
    if let (Some(all), Json::Object(members)) = (resource.as_object_mut(), members) {
        // A member that is null is a member that is not there.
        all.extend(members.into_iter().filter(|(_, value)| !value.is_null()));
    }
    resource
}

/// The Device that stands for this service.
pub fn device() -> Json {
    derived(
        "Device",
        DEVICE_ID,
        json!({
            "identifier": identifier("device", DEVICE_ID),
            "status": "active",
            "deviceName": [{ "name": "Endplate", "type": "user-friendly-name" }],
            "version": [{ "value": env!("CARGO_PKG_VERSION") }],
            "note": [{ "text": CAUTION }],
        }),
    )
}

/// The Device as it must be stored now, with its new version; none if it is. A later release of the service is another version.
pub fn renewed_device(stored: Option<&Stored>) -> Option<(Json, u64)> {
    let device = device();
    let current: Option<Json> = stored.map(|stored| endplate_fhir::json::stored(&stored.body));
    let renewed = current.is_none_or(|current| bare(&current) != device);
    renewed.then(|| (device, stored.map_or(0, |stored| stored.version) + 1))
}

/// A reference to the Device.
pub fn author() -> Json {
    reference(&format!("Device/{DEVICE_ID}"))
}

/// A Reference.
pub fn reference(to: &str) -> Json {
    json!({ "reference": to })
}

/// A Reference to a derived resource of this plan.
pub fn refer(kind: &str, parts: &[&str]) -> String {
    format!("{kind}/{}", identity::id(kind, parts))
}

/// Our own identifier.
pub fn identifier(name: &str, value: &str) -> Json {
    json!([{ "system": code::identifier(name), "value": value }])
}

/// A CodeableConcept of one of our code systems.
pub fn concept(system: &str, code: &str, display: &str) -> Json {
    json!({ "coding": [{ "system": code::system(system), "code": code, "display": display }] })
}

/// A muscle or territory: its code, or its name as recorded.
pub fn place(place: &Place) -> Json {
    match place {
        Place::Known(structure) => concept("reinnervation-target", structure.code(), structure.display()),
        Place::Named { text, .. } => json!({ "text": text.as_str() }),
    }
}

/// One of our extensions with a simple value.
pub fn extension(name: &str, kind: &str, value: Json) -> Json {
    let mut extension = json!({ "url": code::structure(name) });
    if let Some(members) = extension.as_object_mut() {
        members.insert(format!("value{kind}"), value);
    }
    extension
}

/// One of our extensions with parts: name, type of value, value.
pub fn extension_of(name: &str, parts: Vec<(&str, &str, Json)>) -> Json {
    let part = |(url, kind, value): (&str, &str, Json)| {
        let mut part = json!({ "url": url });
        if let Some(members) = part.as_object_mut() {
            members.insert(format!("value{kind}"), value);
        }
        part
    };
    json!({ "url": code::structure(name), "extension": parts.into_iter().map(part).collect::<Vec<_>>() })
}

/// A decimal with a fixed number of places, written as it will be read.
pub fn decimal(value: f64, places: usize) -> Json {
    let text = format!("{value:.places$}");
    text.parse::<serde_json::Number>().map_or(Json::Null, Json::Number)
}

/// A chance in percent with one decimal, as R4 writes probabilities.
pub fn percent(chance: Probability) -> Json {
    decimal((chance.0 * 100.0).clamp(0.0, 100.0), 1)
}

/// A Quantity of a UCUM unit.
pub fn quantity(value: f64, places: usize, unit: &str) -> Json {
    json!({ "value": decimal(value, places), "unit": unit, "system": code::UCUM, "code": unit })
}

/// A length in whole millimetres.
pub fn length(mm: Mm) -> Json {
    quantity(mm.0, 0, "mm")
}

/// A Period of whole days.
pub fn days(start: Date, end: Date) -> Json {
    json!({ "start": start.to_string(), "end": end.to_string() })
}
