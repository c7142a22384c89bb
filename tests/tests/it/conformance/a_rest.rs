//! A. The REST interface: FHIR R4 http.html and RFC 9110.

use crate::served::Served;
use endplate_fhir::Json;
use serde_json::json;

// FHIR R4 http.html#read and search.html#elements: a part is tagged SUBSETTED, and must not replace the whole.
#[tokio::test]
async fn a54_a_part_of_a_resource_is_tagged_and_not_taken_back() {
    let served = Served::open("2026-03-02").await;
    let task = json!({ "resourceType": "Task", "id": "1", "status": "draft", "intent": "order", "priority": "urgent" });
    served.put(&task).await.done();
    for (query, kept) in [("_summary=true", false), ("_elements=intent", false), ("_summary=data", true)] {
        let reply = served.get(&format!("/fhir/Task/1?{query}")).await;
        let part: Json = reply.json();
        assert_eq!((reply.status, part.get("priority").is_some()), (200, kept), "{query}");
        let tags = part["meta"]["tag"].as_array().unwrap();
        assert!(tags.iter().any(|tag| tag["code"] == "SUBSETTED"), "{query}: {part}");
        let put = served.put(&part).await;
        assert_eq!(put.status, 422, "{}", put.text);
        assert_eq!(put.json()["issue"][0]["expression"][0], "Task.meta.tag");
    }
    let whole = served.get("/fhir/Task/1?_summary=false").await.json();
    assert_eq!((&whole["priority"], whole["meta"].get("tag")), (&"urgent".into(), None));
    assert_eq!(served.get("/fhir/Task/1?_summary=count").await.status, 400);
}
