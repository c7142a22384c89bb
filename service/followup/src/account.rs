//! The short narrative of derived resources whose members say it all. It is told last, from what the resource then says, so
//! that no fact stands in the text alone and none is out of date.

use crate::element::{items, text, worded};
use endplate_fhir::Json;
use endplate_fhir::narrative::Narrative;

/// The resource with its narrative, if it is of a type that is told so; else as it was.
pub fn told(resource: Json) -> Json {
    let Some(narrative) = narrative(&resource) else { return resource };
    let Json::Object(members) = resource else { return resource };
    let mut all = serde_json::Map::new();
    let mut rest = members.into_iter().filter(|(name, _)| name != "text").peekable();
    while let Some((name, value)) =
        rest.next_if(|(name, _)| matches!(name.as_str(), "resourceType" | "id" | "meta"))
    {
        all.insert(name, value);
    }
    all.insert("text".to_owned(), narrative);
    all.extend(rest);
    Json::Object(all)
}

fn narrative(resource: &Json) -> Option<Json> {
    let (title, lines) = match text(resource, &["resourceType"])? {
        "Task" => task(resource),
        "ServiceRequest" => request(resource),
        "Goal" => goal(resource),
        "Communication" => message(resource),
        "Flag" => flag(resource),
        _ => return None,
    };
    let lines: Vec<String> = lines.into_iter().flatten().collect();
    Some(Narrative::titled(&title).list(&lines).build())
}

fn line(name: &str, value: Option<&str>) -> Option<String> {
    value.map(|value| format!("{name}: {value}"))
}

fn concept<'a>(resource: &'a Json, name: &str) -> Option<&'a str> {
    resource.get(name).and_then(worded)
}

fn between(period: Option<&Json>) -> Option<String> {
    let period = period?;
    Some(format!("between {} and {}", text(period, &["start"])?, text(period, &["end"])?))
}

fn notes(resource: &Json) -> Vec<Option<String>> {
    items(resource, "note").map(|note| text(note, &["text"]).map(str::to_owned)).collect()
}

type Told = (String, Vec<Option<String>>);

fn task(task: &Json) -> Told {
    let preferred = items(task, "input").find_map(|input| text(input, &["valueDate"]));
    let description = text(task, &["description"]).unwrap_or("Nerve repair review");
    let (title, more) = description.split_once(". ").unwrap_or((description, ""));
    let mut lines = vec![
        (!more.is_empty()).then(|| more.to_owned()),
        line("status", text(task, &["status"])),
        line("state", concept(task, "businessStatus")),
        line("because", concept(task, "statusReason")),
        between(task.pointer("/restriction/period")),
        line("preferred date", preferred),
        line("done on", text(task, &["executionPeriod", "end"])),
    ];
    lines.extend(notes(task));
    (title.to_owned(), lines)
}

fn request(request: &Json) -> Told {
    let purposes: Vec<&str> = items(request, "orderDetail").filter_map(worded).collect();
    let mut lines = vec![
        line("status", text(request, &["status"])),
        line("for", (!purposes.is_empty()).then(|| purposes.join(", ")).as_deref()),
        between(request.get("occurrencePeriod")),
    ];
    lines.extend(notes(request));
    (concept(request, "code").unwrap_or("Nerve repair review").to_owned(), lines)
}

fn goal(goal: &Json) -> Told {
    let achieved = goal.pointer("/achievementStatus/coding/0/code").and_then(Json::as_str);
    let due = items(goal, "target").find_map(|target| text(target, &["dueDate"]));
    let mut lines = vec![
        line("status", text(goal, &["lifecycleStatus"])),
        line("achievement", achieved),
        line("expected by", due),
    ];
    lines.extend(notes(goal));
    (concept(goal, "description").unwrap_or("Goal").to_owned(), lines)
}

fn message(message: &Json) -> Told {
    let title = items(message, "category").find_map(worded).unwrap_or("Message").to_owned();
    let mut lines: Vec<Option<String>> =
        items(message, "payload").map(|part| text(part, &["contentString"]).map(str::to_owned)).collect();
    lines.push(line("sent", text(message, &["sent"])));
    (title, lines)
}

fn flag(flag: &Json) -> Told {
    let lines = vec![
        line("status", text(flag, &["status"])),
        line("since", text(flag, &["period", "start"])),
        line("until", text(flag, &["period", "end"])),
    ];
    (concept(flag, "code").unwrap_or("Flag").to_owned(), lines)
}
