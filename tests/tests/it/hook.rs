//! A receiver of notifications on this machine that answers as scripted, then takes everything.

use axum::Router;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::{HeaderMap, Method, StatusCode, Uri};
use axum::response::{IntoResponse, Response};
use endplate_fhir::Json;
use std::collections::VecDeque;
use std::sync::{Arc, Mutex};
use tokio::net::TcpListener;
use tokio::task::JoinHandle;

/// A request that arrived.
#[derive(Clone, Debug)]
pub struct Request {
    pub method: Method,
    pub path: String,
    pub headers: HeaderMap,
    pub body: String,
}

impl Request {
    pub fn header(&self, name: &str) -> &str {
        self.headers.get(name).map_or("", |value| value.to_str().unwrap())
    }

    /// The body as JSON.
    pub fn json(&self) -> Json {
        serde_json::from_str(&self.body).unwrap_or_else(|_| panic!("no JSON: {}", self.body))
    }

    /// Values of a parameter of the status in a notification.
    pub fn status(&self, name: &str) -> Vec<Json> {
        parameters(&self.json()["entry"][0]["resource"], name)
    }

    /// The type of a notification.
    pub fn kind(&self) -> String {
        self.status("type")[0].as_str().unwrap().to_owned()
    }

    /// The numbers of the events that a notification tells of.
    pub fn numbers(&self) -> Vec<u64> {
        numbers(&self.json()["entry"][0]["resource"])
    }
}

/// Values of all parameters of one name, or their parts.
pub fn parameters(resource: &Json, name: &str) -> Vec<Json> {
    let all = resource["parameter"].as_array().or(resource.as_array()).into_iter().flatten();
    let value = |one: &Json| {
        let mut members = one.as_object().unwrap().iter();
        members.find(|(member, _)| member.starts_with("value") || *member == "part").unwrap().1.clone()
    };
    all.filter(|one| one["name"] == name).map(value).collect()
}

/// The numbers of the events that a status tells of.
pub fn numbers(status: &Json) -> Vec<u64> {
    let events = parameters(status, "notification-event");
    events
        .iter()
        .map(|event| parameters(event, "event-number")[0].as_str().unwrap().parse().unwrap())
        .collect()
}

#[derive(Default)]
struct Desk {
    answers: VecDeque<(u16, Option<(&'static str, String)>)>,
    requests: Vec<Request>,
}

/// The receiver.
pub struct Hook {
    pub endpoint: String,
    desk: Arc<Mutex<Desk>>,
    serving: JoinHandle<()>,
}

impl Hook {
    pub async fn open() -> Self {
        let desk = Arc::new(Mutex::new(Desk::default()));
        let router = Router::new().fallback(take).with_state(Arc::clone(&desk));
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let endpoint = format!("http://{}/hook", listener.local_addr().unwrap());
        let serving = tokio::spawn(async move { axum::serve(listener, router).await.unwrap() });
        Self { endpoint, desk, serving }
    }

    /// Answers the next requests so.
    pub fn answer(&self, statuses: impl IntoIterator<Item = u16>) {
        self.desk.lock().unwrap().answers.extend(statuses.into_iter().map(|status| (status, None)));
    }

    /// Answers the next request so, with a header.
    pub fn answer_with(&self, status: u16, name: &'static str, value: &str) {
        self.desk.lock().unwrap().answers.push_back((status, Some((name, value.to_owned()))));
    }

    /// Everything that has arrived since the last time this was asked, in order.
    pub fn taken(&self) -> Vec<Request> {
        std::mem::take(&mut self.desk.lock().unwrap().requests)
    }
}

impl Drop for Hook {
    fn drop(&mut self) {
        self.serving.abort();
    }
}

async fn take(
    State(desk): State<Arc<Mutex<Desk>>>,
    method: Method,
    uri: Uri,
    headers: HeaderMap,
    body: Bytes,
) -> Response {
    let mut desk = desk.lock().unwrap();
    let body = String::from_utf8(body.to_vec()).unwrap();
    desk.requests.push(Request { method, path: uri.path().to_owned(), headers, body });
    match desk.answers.pop_front() {
        None => StatusCode::OK.into_response(),
        Some((status, header)) => {
            let mut response = StatusCode::from_u16(status).unwrap().into_response();
            if let Some((name, value)) = header {
                response.headers_mut().insert(name, value.parse().unwrap());
            }
            response
        }
    }
}
