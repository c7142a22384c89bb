//! The same laws on a server that is reached over the network: in a container where there are containers and the image that
//! `deploy/image/postgres` makes, else on a server of this machine. What is used is printed.

use super::facts::{change, of_patient, put};
use endplate_followup::ports::Store;
use endplate_store::{PostgresStore, open};
use endplate_tests::postgres::Server;
use futures_util::future::join_all;
use sqlx::{AssertSqlSafe, Connection, PgConnection};
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use testcontainers::core::{IntoContainerPort, WaitFor};
use testcontainers::runners::AsyncRunner;
use testcontainers::{ContainerAsync, GenericImage, ImageExt};

const IMAGE: (&str, &str) = ("endplate-postgres", "15");

enum Place {
    Container(Box<ContainerAsync<GenericImage>>),
    Machine(Server),
}

impl Place {
    async fn find() -> Self {
        let mut asked = Command::new("docker");
        asked.args(["image", "inspect", &format!("{}:{}", IMAGE.0, IMAGE.1)]);
        let has_image =
            asked.stdout(Stdio::null()).stderr(Stdio::null()).status().is_ok_and(|status| status.success());
        if !has_image {
            println!("PostgreSQL of this machine; deploy/image/postgres makes an image for containers");
            return Self::Machine(Server::start());
        }
        println!("PostgreSQL in a container of {}:{}", IMAGE.0, IMAGE.1);
        let image = GenericImage::new(IMAGE.0, IMAGE.1)
            .with_exposed_port(5432.tcp())
            .with_wait_for(WaitFor::message_on_stderr("listening on IPv4 address"))
            .with_wait_for(WaitFor::message_on_stderr("ready to accept connections"))
            .with_env_var("POSTGRES_USER", "endplate")
            .with_env_var("POSTGRES_HOST_AUTH_METHOD", "trust");
        Self::Container(Box::new(image.start().await.expect("a container")))
    }

    async fn address(&self, database: &str) -> String {
        match self {
            Self::Container(container) => {
                let port = container.get_host_port_ipv4(5432.tcp()).await.expect("a port");
                format!("postgres://endplate@127.0.0.1:{port}/{database}")
            }
            Self::Machine(server) => server.address(database),
        }
    }

    async fn crash(&mut self) {
        match self {
            Self::Container(container) => {
                // No time to end in good order.
                container.stop_with_timeout(Some(0)).await.expect("stopped");
                container.start().await.expect("started again");
                let address = self.address("postgres").await;
                while PgConnection::connect(&address).await.is_err() {}
            }
            Self::Machine(server) => server.crash(),
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_laws_hold_over_the_network() {
    let place = Place::find().await;
    let number = AtomicU32::new(0);
    let fresh = async || {
        let name = format!("law_{}", number.fetch_add(1, Ordering::Relaxed));
        let mut connection = PgConnection::connect(&place.address("postgres").await).await.unwrap();
        let made = AssertSqlSafe(format!("create database {name}"));
        sqlx::raw_sql(made).execute(&mut connection).await.unwrap();
        PostgresStore::open(&place.address(&name).await).await.unwrap()
    };
    every_law!(laws_in_turn, fresh);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_was_acknowledged_outlives_the_server() {
    let mut place = Place::find().await;
    let address = place.address("postgres").await;
    let task = |id: &str| of_patient("p", put("Task", id, 1));
    let instances = join_all((0..3).map(|_| PostgresStore::open(&address))).await;
    let instances: Vec<PostgresStore> = instances.into_iter().map(Result::unwrap).collect();
    let commits = (0..50).map(|n| {
        let store = &instances[n % instances.len()];
        async move { store.commit(change(vec![task(&format!("t{n}"))])).await }
    });
    for done in join_all(commits).await {
        done.unwrap();
    }
    place.crash().await;
    let store = open(&place.address("postgres").await).await.unwrap();
    let there = store.compartment("p").await.unwrap().resources;
    assert_eq!(there.len(), 50);
    assert!(there.is_sorted_by(|one, next| one.id < next.id));
    store.commit(change(vec![task("afterwards")])).await.unwrap();
}
