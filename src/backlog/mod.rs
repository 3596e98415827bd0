//! One backlog for many machines: a queue of photographs that wait to be read,
//! and a depot that holds their files.
//!
//! The queue is a PostgreSQL database, or an SQLite file for one machine; the
//! depot a folder, or a bucket of an S3-like store. A photograph is sent once
//! (it is known by the hash of its bytes), taken by one worker at a time under a
//! lease, read, and fetched into a collection folder, where it is understood and
//! checked beside its neighbours. What a worker took and did not bring back in
//! time goes to another; what three workers did not bring back is put aside and
//! told. Readings are written once, with the state, in one transaction.

mod depot;
mod queue;

pub use depot::Depot;
pub use queue::{Counts, Queue, Read, State, Taken, Waiting};

use crate::trouble::{Result, Trouble};
use std::future::Future;

/// A queue and a depot, for callers without an asynchronous runtime.
pub struct Backlog {
    runtime: tokio::runtime::Runtime,
    /// Who reads what.
    pub queue: Queue,
    /// The files.
    pub depot: Depot,
}

impl Backlog {
    /// Opens the queue at `queue` (`postgres://…` or `sqlite:FILE`), making its
    /// tables where they are missing, and the depot at `depot` (`file:///…`, a
    /// folder's path, or `s3://BUCKET/…`, with the `AWS_…` variables that
    /// S3-like stores go by).
    ///
    /// # Errors
    /// Where one of them cannot be reached or is of another version.
    pub fn open(queue: &str, depot: &str) -> Result<Backlog> {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(2)
            .enable_all()
            .build()
            .map_err(|e| Trouble::new("backlog", "cannot be worked on").cause(e))?;
        let depot = Depot::open(depot)?;
        let queue = runtime.block_on(Queue::open(queue))?;
        Ok(Backlog { runtime, queue, depot })
    }

    /// Waits for what the queue or the depot does.
    pub fn wait<F: Future>(&self, future: F) -> F::Output {
        self.runtime.block_on(future)
    }

    /// Sends a file: into the depot first, then onto the queue, so that no
    /// worker looks for what is not there. Says whether it was new. One that could
    /// not be read, or whose copy is no longer whole, is sent again.
    ///
    /// # Errors
    /// Those of the depot and the queue.
    pub fn send(&self, name: &str, bytes: Vec<u8>, hash: &str) -> Result<bool> {
        let state = self.wait(self.queue.state(hash))?;
        if state.is_some_and(|s| s != State::Failed) {
            if state != Some(State::Fetched) && !self.wait(self.depot.has(hash, bytes.len()))? {
                self.wait(self.depot.put(hash, bytes))?;
            }
            return Ok(false);
        }
        self.wait(self.depot.put(hash, bytes))?;
        match state {
            Some(_) => self.wait(self.queue.again(hash)).map(|_| true),
            None => self.wait(self.queue.send(hash, name)),
        }
    }
}
