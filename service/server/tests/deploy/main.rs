//! What stands in `deploy/`, started and used: the image, the machine's unit, a restored copy.
//!
//! Containers are those of the Docker command line, from images that `deploy/image` makes without a registry. Where there is no
//! Docker, a test says in one line what it did not show.

mod cluster;
mod docker;
mod image;
mod machine;
mod manifest;
#[path = "../it/program.rs"]
#[allow(dead_code, reason = "it belongs to the tests of the outer ring, which use all of it")]
mod program;
mod restore;
mod service;
