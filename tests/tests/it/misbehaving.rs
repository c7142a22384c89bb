//! Receivers on this machine that misbehave in every way there is, through the real sender, for three days on a clock that the
//! test turns; then they come back.
//!
//! What HTTP allows and what is wrong with these: RFC 9112 (messages), RFC 9110, sections 10.2.3 (Retry-After), 15.4
//! (redirects); RFC 6585, section 4 (429).

use crate::clinic::{Clinic, interosseous_graft, subscription};
use crate::served::config;
use async_trait::async_trait;
use endplate_followup::ports::{Message, Outcome, Transport};
use endplate_server::webhook::Webhook;
use serde_json::json;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpSocket, TcpStream};

/// How a receiver treats whoever calls it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Manner {
    Well,
    /// Takes no connection.
    Refuses,
    /// Takes the connection and says nothing.
    Hangs,
    Fails,
    /// Ends the connection before it has read anything: a reset.
    Resets,
    /// A letter of an answer from time to time, without end.
    Drips,
    Redirects,
    /// Says that more will come than comes, and that it did not take the message.
    LiesAboutLength,
    Garbage,
    AsksForTime,
}

const MISBEHAVING: [Manner; 9] = [
    Manner::Refuses,
    Manner::Hangs,
    Manner::Fails,
    Manner::Resets,
    Manner::Drips,
    Manner::Redirects,
    Manner::LiesAboutLength,
    Manner::Garbage,
    Manner::AsksForTime,
];

/// What came: the event's number, its body, and whether it was taken.
type Heard = Arc<Mutex<Vec<(u64, String, bool)>>>;

struct Post {
    address: SocketAddr,
    manner: Arc<Mutex<Manner>>,
    heard: Heard,
    /// Bound and deaf, as long as connections are refused.
    deaf: Option<TcpSocket>,
}

impl Post {
    fn open(manner: Manner) -> Self {
        let socket = TcpSocket::new_v4().unwrap();
        socket.bind("127.0.0.1:0".parse().unwrap()).unwrap();
        let address = socket.local_addr().unwrap();
        let mut post = Self {
            address,
            manner: Arc::new(Mutex::new(manner)),
            heard: Heard::default(),
            deaf: Some(socket),
        };
        if manner != Manner::Refuses {
            post.listen();
        }
        post
    }

    fn listen(&mut self) {
        let Some(socket) = self.deaf.take() else { return };
        let listener = socket.listen(64).unwrap();
        tokio::spawn(serve(listener, Arc::clone(&self.manner), Arc::clone(&self.heard)));
    }

    fn comes_back(&mut self) {
        *self.manner.lock().unwrap() = Manner::Well;
        self.listen();
    }

    fn taken(&self) -> Vec<u64> {
        self.heard.lock().unwrap().iter().filter(|heard| heard.2).map(|heard| heard.0).collect()
    }
}

async fn serve(listener: TcpListener, manner: Arc<Mutex<Manner>>, heard: Heard) {
    loop {
        let (stream, _) = listener.accept().await.unwrap();
        let manner = *manner.lock().unwrap();
        tokio::spawn(answer(stream, manner, Arc::clone(&heard)));
    }
}

async fn answer(mut stream: TcpStream, manner: Manner, heard: Heard) -> std::io::Result<()> {
    if manner == Manner::Resets {
        // What was sent is there and unread when the socket is closed: RFC 9293, section 3.10.4, answers with a reset.
        return stream.readable().await;
    }
    let (number, body) = request(&mut stream).await?;
    heard.lock().unwrap().push((number, body, manner == Manner::Well));
    let text = match manner {
        Manner::Well => "HTTP/1.1 204 No Content\r\nconnection: close\r\n\r\n",
        Manner::Fails => {
            "HTTP/1.1 500 Internal Server Error\r\ncontent-length: 0\r\nconnection: close\r\n\r\n"
        }
        Manner::Redirects => {
            "HTTP/1.1 307 Temporary Redirect\r\nlocation: http://127.0.0.1:9/\r\ncontent-length: 0\r\nconnection: close\r\n\r\n"
        }
        Manner::LiesAboutLength => "HTTP/1.1 503 Service Unavailable\r\ncontent-length: 100000\r\n\r\nshort",
        Manner::Garbage => "\u{1}\u{2}\u{3} nothing that is HTTP \u{7f}\r\n\r\n",
        Manner::AsksForTime => {
            "HTTP/1.1 429 Too Many Requests\r\nretry-after: 7200\r\ncontent-length: 0\r\nconnection: close\r\n\r\n"
        }
        Manner::Drips => {
            let mut ticks = tokio::time::interval(Duration::from_millis(10));
            stream.write_all(b"HTTP/1.1 200 OK\r\nx-slow: ").await?;
            loop {
                ticks.tick().await;
                stream.write_all(b"x").await?;
            }
        }
        // Whoever calls hangs up in the end.
        Manner::Hangs | Manner::Refuses | Manner::Resets => return stream.read(&mut [0; 16]).await.map(drop),
    };
    stream.write_all(text.as_bytes()).await?;
    stream.shutdown().await
}

/// The number of the event and the body.
async fn request(stream: &mut TcpStream) -> std::io::Result<(u64, String)> {
    let mut bytes = Vec::new();
    loop {
        let mut chunk = [0; 8192];
        let read = stream.read(&mut chunk).await?;
        if read == 0 {
            return Err(std::io::ErrorKind::UnexpectedEof.into());
        }
        bytes.extend_from_slice(&chunk[..read]);
        let text = String::from_utf8_lossy(&bytes);
        let Some((head, body)) = text.split_once("\r\n\r\n") else { continue };
        let header = |name: &str| head.lines().find_map(|line| line.strip_prefix(name)).map(str::trim);
        let length: usize = header("content-length:").map_or(0, |text| text.parse().unwrap());
        if body.len() >= length {
            let number = header("endplate-event:").unwrap().rsplit_once('/').unwrap().1;
            return Ok((number.parse().unwrap(), body.to_owned()));
        }
    }
}

/// Waits briefly for those that misbehave anyway, so that the test is short, and patiently for the one that is well, so that a
/// busy machine does not fail it.
struct Sender {
    well: String,
    patient: Webhook,
    hasty: Webhook,
}

#[async_trait]
impl Transport for Sender {
    async fn send(&self, message: &Message) -> Outcome {
        let sender = if message.endpoint == self.well { &self.patient } else { &self.hasty };
        sender.send(message).await
    }
}

/// Three days of it, with something written every few hours: one that is well has everything at once, each time. Nobody is
/// asked more often than the published waits allow. Then all come back: everything arrives, in order, once, as it was.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn three_days_of_misbehaviour_lose_nothing_and_delay_nobody() {
    let clinic = Clinic::open("2026-03-03").await;
    let mut config = config();
    let patient = Webhook::new(&config, clinic.clock.clone()).unwrap();
    config.webhook_timeout = Duration::from_millis(150);
    let hasty = Webhook::new(&config, clinic.clock.clone()).unwrap();
    let well = Post::open(Manner::Well);
    let webhook = Sender { well: format!("http://{}/hook", well.address), patient, hasty };
    let mut bad: Vec<Post> = MISBEHAVING.into_iter().map(Post::open).collect();
    let mut endpoints = vec![("well".to_owned(), well.address)];
    endpoints.extend(bad.iter().zip(MISBEHAVING).map(|(post, manner)| (format!("{manner:?}"), post.address)));
    for (id, address) in &endpoints {
        clinic.put(subscription(id, "Task", &format!("http://{address}/hook"), true)).await.unwrap();
    }
    for resource in interosseous_graft() {
        clinic.put(resource).await.unwrap();
    }
    let mut count = clinic.open_tasks().await.len() as u64;
    let end = clinic.clock.instant() + jiff::SignedDuration::from_hours(72);
    let mut rounds = 0;
    while clinic.clock.instant() < end {
        if rounds % 4 == 0 {
            let mut task = clinic.open_tasks().await[0].clone();
            task["note"] = json!([{ "text": format!("call {rounds}") }]);
            clinic.put(task).await.unwrap();
            count += 1;
        }
        clinic.endplate.deliver(&webhook).await.unwrap();
        assert_eq!(well.taken(), (1..=count).collect::<Vec<_>>(), "round {rounds}");
        let next = clinic.endplate.next_delivery_at().await.unwrap().unwrap();
        // Those that failed together come back spread: ten minutes are one round.
        clinic.clock.turn_on_s(next.duration_since(clinic.clock.instant()).as_secs().max(0) + 600);
        rounds += 1;
    }
    for (post, manner) in bad.iter().zip(MISBEHAVING) {
        let heard = post.heard.lock().unwrap();
        assert!(heard.iter().all(|(number, ..)| *number == 1), "{manner:?}: nothing overtakes the first");
        // 72 hours hold the first waits and at most 17 of four hours.
        assert!(heard.len() <= 40, "{manner:?}: asked {} times", heard.len());
        assert_eq!(heard.is_empty(), matches!(manner, Manner::Refuses | Manner::Resets), "{manner:?}");
    }
    for receiver in clinic.endplate.receivers(None, 99).await.unwrap() {
        let waits = if receiver.key == "well" { 0 } else { count };
        assert_eq!((receiver.waiting, receiver.dead), (waits, 0), "{}", receiver.key);
    }
    for post in &mut bad {
        post.comes_back();
    }
    clinic.clock.turn_on_s(86_400);
    clinic.endplate.deliver(&webhook.patient).await.unwrap();
    let bodies = |post: &Post| {
        let heard = post.heard.lock().unwrap();
        heard.iter().filter(|heard| heard.2).map(|heard| heard.1.clone()).collect::<Vec<_>>()
    };
    for (post, manner) in bad.iter().zip(MISBEHAVING) {
        assert_eq!(post.taken(), (1..=count).collect::<Vec<_>>(), "{manner:?}");
        assert_eq!(bodies(post), bodies(&well), "{manner:?}");
        let heard = post.heard.lock().unwrap();
        let first: Vec<&String> =
            heard.iter().filter(|(number, ..)| *number == 1).map(|(_, body, _)| body).collect();
        assert!(first.iter().all(|body| *body == first[0]), "{manner:?}: the same each time");
    }
}
