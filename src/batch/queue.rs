//! Who runs next: large jobs first, as many at once as threads and memory allow.

use std::sync::{Condvar, Mutex, MutexGuard, PoisonError};

/// A job that waits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Waiting {
    /// Its place in the list of items.
    pub item: usize,
    /// How long it takes, by any measure.
    pub cost: u64,
    /// Bytes that it needs, by estimate or by what it said when it was refused.
    pub bytes: u64,
}

/// A job that may run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Turn {
    /// Its place in the list of items.
    pub item: usize,
    /// Bytes set aside for it.
    pub bytes: u64,
    /// Whether it has all there are: more it cannot get.
    pub all: bool,
    /// Jobs that still waited when it got its turn.
    pub waiting: usize,
}

/// Jobs that wait, and memory that is free.
pub(super) struct Queue {
    state: Mutex<State>,
    changed: Condvar,
    /// All bytes that jobs may use together; `None` without bound.
    memory: Option<u64>,
}

#[derive(Default)]
struct State {
    /// Largest first.
    waiting: Vec<Waiting>,
    used: u64,
    running: usize,
    filled: bool,
    stopped: bool,
}

impl Queue {
    /// Still to be filled: who asks for a job waits.
    pub fn new(memory: Option<u64>) -> Self {
        Self {
            state: Mutex::default(),
            changed: Condvar::new(),
            memory,
        }
    }

    /// All jobs there are.
    pub fn fill(&self, mut waiting: Vec<Waiting>) {
        waiting.sort_by_key(order);
        let mut state = self.lock();
        state.waiting = waiting;
        state.filled = true;
        drop(state);
        self.changed.notify_all();
    }

    /// The next job, once there is memory for it; `None` when there is nothing left to do.
    pub fn next(&self) -> Option<Turn> {
        let mut state = self.lock();
        loop {
            // One that runs may come back for more memory.
            let empty = state.filled && state.waiting.is_empty() && state.running == 0;
            if state.stopped || empty {
                return None;
            }
            if let Some(turn) = self.take(&mut state) {
                return Some(turn);
            }
            state = self
                .changed
                .wait(state)
                .unwrap_or_else(PoisonError::into_inner);
        }
    }

    /// The largest job that fits into what is free; one that fits into no memory at all runs alone.
    fn take(&self, state: &mut State) -> Option<Turn> {
        let all = self.memory.unwrap_or(u64::MAX);
        let free = all.saturating_sub(state.used);
        let alone = state.running == 0;
        let place = state
            .waiting
            .iter()
            .position(|job| job.bytes <= free || alone)?;
        let job = state.waiting.remove(place);
        // Alone, it may as well have all.
        let whole = alone && job.bytes >= free;
        let bytes = if whole { free } else { job.bytes };
        state.used += bytes;
        state.running += 1;
        Some(Turn {
            item: job.item,
            bytes,
            all: whole || self.memory.is_none(),
            waiting: state.waiting.len(),
        })
    }

    /// A job is done.
    pub fn done(&self, turn: Turn) {
        self.release(turn, None);
    }

    /// A job was refused for want of memory: it waits for as much as it says it needs.
    pub fn again(&self, turn: Turn, waiting: Waiting) {
        self.release(turn, Some(waiting));
    }

    fn release(&self, turn: Turn, waiting: Option<Waiting>) {
        let mut state = self.lock();
        state.used -= turn.bytes;
        state.running -= 1;
        if let Some(waiting) = waiting {
            state.waiting.push(waiting);
            state.waiting.sort_by_key(order);
        }
        drop(state);
        self.changed.notify_all();
    }

    /// No job starts any more.
    pub fn stop(&self) {
        self.lock().stopped = true;
        self.changed.notify_all();
    }

    fn lock(&self) -> MutexGuard<'_, State> {
        // Counts are whole at any time.
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

fn order(job: &Waiting) -> (std::cmp::Reverse<u64>, usize) {
    (std::cmp::Reverse(job.cost), job.item)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn job(item: usize, cost: u64, bytes: u64) -> Waiting {
        Waiting { item, cost, bytes }
    }

    fn filled(jobs: Vec<Waiting>, memory: Option<u64>) -> Queue {
        let queue = Queue::new(memory);
        queue.fill(jobs);
        queue
    }

    #[test]
    fn large_ones_come_first_and_small_ones_fill_what_is_left() {
        let jobs = vec![job(0, 1, 10), job(1, 9, 60), job(2, 8, 60), job(3, 2, 30)];
        let queue = filled(jobs, Some(100));
        let first = queue.next().expect("a job");
        // The second largest does not fit beside the largest: the next that does goes on.
        let second = queue.next().expect("a job");
        assert_eq!((first.item, second.item), (1, 3));
        queue.done(first);
        assert_eq!(queue.next().map(|turn| turn.item), Some(2));
    }

    #[test]
    fn what_fits_nowhere_runs_alone_with_all_there_is() {
        let queue = filled(vec![job(0, 9, 500), job(1, 1, 10)], Some(100));
        let alone = queue.next().expect("a job");
        assert_eq!((alone.item, alone.bytes, alone.all), (0, 100, true));
        queue.again(alone, job(0, 9, 90));
        let turn = queue.next().expect("a job");
        assert_eq!((turn.item, turn.bytes, turn.all), (0, 90, false));
        let small = queue.next().expect("a job");
        assert_eq!(small.item, 1);
        queue.done(small);
        queue.done(turn);
        assert_eq!(queue.next(), None);
    }

    #[test]
    fn a_stopped_queue_gives_nothing() {
        let queue = filled(vec![job(0, 1, 1)], None);
        queue.stop();
        assert_eq!(queue.next(), None);
    }
}
