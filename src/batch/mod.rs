//! Many characters: found in a folder, held within memory, done side by side, not done again, parted among
//! machines. Whatever becomes of one file, the others go on.

mod cache;
mod compare;
mod find;
mod items;
mod queue;
mod shard;

use std::collections::BTreeSet;
use std::panic::{self, AssertUnwindSafe};
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{self, RecvTimeoutError, Sender};
use std::thread;
use std::time::{Duration, Instant};

use rayon::prelude::*;

use crate::asset::{self, Beside, Outline};
use crate::error::{Error, Fault};
use crate::job::{self, Bake, Drawings, Request, Stage, Watch};
use crate::memory;
use crate::page::Album;
use crate::report::{FileReport, FileStatus, Outcome, Planned, PlannedFile, Report, RunEnd, Whole};
use cache::{Hit, Key, Miss};
use queue::{Queue, Turn, Waiting};

pub use cache::{Cache, LOCAL};
pub use compare::{CompareFolders, compare_folders};
pub use find::{Found, IGNORE_FILE, Search, find};
use items::Ending;
pub use items::{Baselines, Item, Tree};
pub use shard::Shard;

/// How a run goes about its work.
#[derive(Clone, Debug, Default)]
pub struct Options {
    /// Threads; by default one a processor.
    pub threads: Option<usize>,
    /// Bytes that all jobs together may use; by default three quarters of what is available if there are
    /// several files, and no bound for one alone.
    pub memory: Option<u64>,
    /// Where results are looked up and kept.
    pub cache: Option<Cache>,
    /// Whether everything is done, whatever the cache says.
    pub again: bool,
    /// Whether the first failure ends the run.
    pub stop_early: bool,
    /// The part of the work to take.
    pub shard: Option<Shard>,
}

/// What a run came to.
#[derive(Debug)]
pub struct Ran {
    /// What became of each file.
    pub report: Report,
    /// What there is to see of them on a page, in the order of the report; empty unless requests ask for it.
    pub albums: Vec<Album>,
    /// The first picture that could not be drawn or written, whatever became of the results.
    pub pictures: Result<(), Error>,
}

/// Watches a run from outside.
pub trait Listener: Send + Sync {
    /// So many files will have their turn.
    fn began(&self, files: usize);
    /// A worker, numbered from 0, begins with a file.
    fn started(&self, worker: usize, name: &str);
    /// A stage of one skin has come so far.
    fn progress(&self, worker: usize, character: &str, stage: Stage, done: usize, total: usize);
    /// A file is finished, the `done`th of `total`; by a worker, unless it needed none.
    fn finished(&self, worker: Option<usize>, file: &FileReport, done: usize, total: usize);
    /// What the user should know, beside the report.
    fn note(&self, text: &str);
    /// Whether to stop at the next opportunity.
    fn interrupted(&self) -> bool;
}

/// How long an interrupted run waits for its jobs to stop by themselves.
const GRACE: Duration = Duration::from_millis(500);

/// How often an interrupt is looked for.
const TICK: Duration = Duration::from_millis(20);

/// The share of the available memory that a run of several files takes by default.
const SHARE: f64 = 0.75;

/// What happens in a run, told to the thread that keeps its report.
enum Event {
    /// What there is to see of a file.
    Seen(Vec<Album>),
    /// Pictures of a file that could not be had.
    Unseen(Error),
    /// A file is finished, by a worker unless it needed none.
    Finished(Option<usize>, usize, Box<FileReport>),
    /// What the user should know.
    Note(String),
}

/// A file of a run.
struct Job {
    item: Item,
    outline: Outline,
}

/// What all threads of a run share.
struct Run {
    jobs: Vec<Job>,
    /// That of all jobs together.
    cost: u64,
    options: Options,
    /// Bytes that the process may take.
    memory: Option<u64>,
    queue: Queue,
    /// All threads.
    pool: rayon::ThreadPool,
    /// One thread for each worker: jobs that share a pool wake each other's threads all the time.
    alone: Vec<rayon::ThreadPool>,
    listener: Arc<dyn Listener>,
    stopped: AtomicBool,
}

/// Does the work of all items and reports on each, ordered by input. After an interrupt it returns within half
/// a second: jobs that are deep in a stage then still run, but write nothing.
///
/// # Errors
/// Threads that the system does not give; nothing else.
pub fn run(items: Vec<Item>, options: Options, listener: Arc<dyn Listener>) -> Result<Ran, Error> {
    let clock = Instant::now();
    let pool = pool(options.threads)?;
    let shard = options.shard;
    let stop_early = options.stop_early;
    let (jobs, whole) = pool.install(|| own(items, shard));
    let total = jobs.len();
    listener.began(total);
    let mut files: Vec<FileReport> = jobs.iter().map(|job| job.item.left()).collect();
    let memory = bound(&options, total);
    let workers = pool.current_num_threads().min(total);
    let alone = (0..workers).map(|_| self::pool(Some(1)));
    let alone = alone.collect::<Result<_, _>>()?;
    let own_bytes = memory::PROGRAM_BYTES + memory::THREAD_BYTES * workers as u64;
    let run = Arc::new(Run {
        alone,
        queue: Queue::new(memory.map(|all| all.saturating_sub(own_bytes))),
        memory,
        cost: jobs.iter().map(Job::cost).sum(),
        jobs,
        options,
        pool,
        listener: Arc::clone(&listener),
        stopped: AtomicBool::new(false),
    });
    let events = run.spawn();
    let (mut done, mut end, mut deadline) = (0, RunEnd::Complete, None);
    let (mut albums, mut pictures) = (Vec::new(), Ok(()));
    loop {
        match events.recv_timeout(TICK) {
            Ok(Event::Finished(worker, index, file)) => {
                done += 1;
                listener.finished(worker, &file, done, total);
                if file.status == FileStatus::Failed && stop_early && end == RunEnd::Complete {
                    end = RunEnd::Stopped;
                    run.stop();
                }
                files[index] = *file;
            }
            Ok(Event::Note(text)) => listener.note(&text),
            Ok(Event::Seen(more)) => albums.extend(more),
            Ok(Event::Unseen(error)) => pictures = pictures.and(Err(error)),
            Err(RecvTimeoutError::Timeout) => {}
            // All threads are through.
            Err(RecvTimeoutError::Disconnected) => break,
        }
        if listener.interrupted() {
            end = RunEnd::Interrupted;
            run.stop();
            if Instant::now() >= *deadline.get_or_insert_with(|| Instant::now() + GRACE) {
                break;
            }
        }
    }
    let shard = shard.map(|shard| shard.to_string()).zip(whole);
    albums.sort_by(|a: &Album, b| (&a.file, a.character).cmp(&(&b.file, b.character)));
    Ok(Ran {
        report: Report::new(files, end, shard, clock.elapsed().as_secs_f64()),
        albums,
        pictures,
    })
}

/// What [`run`] would do with each file, as far as that is known.
///
/// # Errors
/// As of [`run`].
pub fn plan(items: Vec<Item>, options: &Options) -> Result<Vec<PlannedFile>, Error> {
    let pool = pool(options.threads)?;
    let (jobs, _) = pool.install(|| own(items, options.shard));
    let all: u64 = jobs.iter().map(Job::cost).sum();
    let planned = |job: &Job| {
        let what = match job.known(options) {
            Known::Ready(Ending::Failed(error)) => Planned::Failed {
                outcome: Outcome::from(&error),
                faults: error.to_string(),
            },
            Known::Ready(_) => Planned::Unchanged,
            Known::Kept => Planned::Kept,
            Known::Damaged(_) | Known::Nothing => {
                let width = job.width(all, pool.current_num_threads());
                Planned::Bake {
                    memory_bytes: job::guess_memory(&job.item.input, job.outline, width),
                }
            }
        };
        let recipe = job.item.recipe.as_ref();
        PlannedFile {
            name: job.item.name.clone(),
            recipe: recipe.map(|path| path.display().to_string()),
            what,
        }
    };
    Ok(pool.install(|| jobs.par_iter().map(planned).collect()))
}

/// So many threads to work on; by default one a processor.
///
/// # Errors
/// More than the system gives.
pub fn pool(threads: Option<usize>) -> Result<rayon::ThreadPool, Error> {
    let mut builder = rayon::ThreadPoolBuilder::new();
    if let Some(threads) = threads {
        builder = builder.num_threads(threads);
    }
    builder.build().map_err(|error| {
        let expected = "a number of threads that the system gives";
        let fault = Fault::new(Path::new("--threads"), "", expected, error.to_string());
        Error::Setting(vec![fault])
    })
}

/// The items of the shard, with what their files claim to hold; and the list that it is a part of.
fn own(items: Vec<Item>, shard: Option<Shard>) -> (Vec<Job>, Option<Whole>) {
    let jobs: Vec<Job> = items
        .into_par_iter()
        .map(|item| Job {
            // What cannot be read says so when its turn comes.
            outline: asset::outline(&item.input).unwrap_or_default(),
            item,
        })
        .collect();
    let Some(shard) = shard else {
        return (jobs, None);
    };
    let costs: Vec<(&str, u64)> = jobs
        .iter()
        .map(|job| (job.item.name.as_str(), job.cost()))
        .collect();
    let own = shard.own(&costs);
    let whole = Whole {
        files: costs.len(),
        hash: shard::hash(&costs),
    };
    let pairs = jobs.into_iter().zip(own);
    let own = pairs.filter_map(|(job, own)| own.then_some(job));
    (own.collect(), Some(whole))
}

/// Bytes that the process may take, if they count.
fn bound(options: &Options, files: usize) -> Option<u64> {
    let share = |available: u64| (available as f64 * SHARE) as u64;
    let default = || (files > 1).then(memory::available).flatten().map(share);
    options.memory.or_else(default)
}

impl Job {
    /// How long it takes, more or less: the work grows with vertices. A file may claim any number of them: no
    /// more count than it has bytes, so that one alone does not upset the order, and sums have room.
    fn cost(&self) -> u64 {
        let Outline {
            bytes,
            raw_vertices,
            ..
        } = self.outline;
        raw_vertices.clamp(bytes / 100, bytes)
    }

    /// Blocks of poses to evaluate side by side: one where others keep the threads busy, more for a job that
    /// is more than its share of the whole.
    fn width(&self, all: u64, threads: usize) -> usize {
        let share = self.cost() as f64 / all.max(1) as f64;
        ((share * threads as f64).ceil() as usize).clamp(1, threads)
    }

    /// Whether there is something to draw.
    fn draws(&self) -> bool {
        let work = self.item.work.as_ref();
        work.is_ok_and(|request| !request.draws.is_none())
    }

    /// The key of its result; `None` where no results are kept. Target shapes may be far more than it takes to bake
    /// from them: nobody reads them to see whether they have changed.
    fn key(&self, options: &Options) -> Result<Option<Key>, Error> {
        match (&self.item.work, &options.cache) {
            (Ok(request), Some(_)) if request.targets.is_none() => {
                cache::key(request, &self.item.output).map(Some)
            }
            _ => Ok(None),
        }
    }

    /// What is known of it without doing it: a fault, or an earlier result.
    fn known(&self, options: &Options) -> Known {
        if let Err(error) = &self.item.work {
            return Known::Ready(Ending::Failed(error.clone()));
        }
        if options.again {
            return Known::Nothing;
        }
        match self.key(options) {
            Ok(key) => self.found(key, options, None),
            Err(error) => Known::Ready(Ending::Failed(error)),
        }
    }

    /// An earlier result of that key. Files that are not in place are written from the cache if `restore` says
    /// what becomes of those beside.
    fn found(&self, key: Option<Key>, options: &Options, restore: Option<Beside>) -> Known {
        let (Some(key), Some(cache)) = (key, &options.cache) else {
            return Known::Nothing;
        };
        let name = Path::new(&self.item.name);
        match cache.find(key, name, &self.item.output, restore) {
            Ok(Ok(Hit {
                characters,
                in_place: true,
            })) => Known::Ready(Ending::Unchanged(characters)),
            Ok(Ok(Hit { characters, .. })) => Known::Ready(Ending::Restored(characters)),
            Ok(Err(Miss::Absent)) => Known::Nothing,
            Ok(Err(Miss::Kept)) => Known::Kept,
            Ok(Err(Miss::Damaged(entry))) => Known::Damaged(entry),
            Err(error) => Known::Ready(Ending::Failed(error)),
        }
    }
}

/// What is known of a job before it is done.
enum Known {
    /// How it ends.
    Ready(Ending),
    /// That the cache has the result, which is to be written still.
    Kept,
    /// That its entry in the cache is damaged.
    Damaged(String),
    Nothing,
}

impl Run {
    /// Sets all threads to work.
    fn spawn(self: &Arc<Self>) -> mpsc::Receiver<Event> {
        let (sender, events) = mpsc::channel();
        for worker in 0..self.alone.len() {
            let (run, sender) = (Arc::clone(self), sender.clone());
            thread::spawn(move || run.work(worker, &sender));
        }
        let run = Arc::clone(self);
        thread::spawn(move || run.look_up(&sender));
        events
    }

    fn stop(&self) {
        self.stopped.store(true, Ordering::SeqCst);
        self.queue.stop();
    }

    /// Finds what need not be done, and gives the rest to the workers.
    fn look_up(&self, sender: &Sender<Event>) {
        self.clear_litter();
        let look = |(index, job): (usize, &Job)| {
            if self.stopped.load(Ordering::SeqCst) {
                return None;
            }
            let clock = Instant::now();
            let ready = ready(job, job.known(&self.options), sender)?;
            if job.draws() && !matches!(ready, Ending::Failed(_)) {
                // Drawing takes memory: it has its turn.
                return None;
            }
            let file = job.item.report(ready, clock.elapsed());
            // Nobody listens any more: the run is over.
            let _ = sender.send(Event::Finished(None, index, Box::new(file)));
            Some(index)
        };
        let jobs = || self.jobs.par_iter().enumerate();
        let ready: Vec<bool> = self
            .pool
            .install(|| jobs().map(look).map(|found| found.is_some()).collect());
        let waiting = self.jobs.iter().zip(ready).enumerate();
        let waiting = waiting.filter(|(_, (_, ready))| !ready);
        self.queue.fill(
            waiting
                .map(|(item, (job, _))| Waiting {
                    item,
                    cost: job.cost(),
                    bytes: self.guess(job),
                })
                .collect(),
        );
    }

    /// Removes what runs that were killed left beside the results.
    fn clear_litter(&self) {
        let folders: BTreeSet<&Path> = self
            .jobs
            .iter()
            .map(|job| asset::folder_of(&job.item.output))
            .collect();
        for folder in folders {
            asset::clear_litter(folder);
        }
        if let Some(cache) = &self.options.cache {
            cache.clear_litter();
        }
    }

    /// Runs jobs until there are none.
    fn work(&self, worker: usize, sender: &Sender<Event>) {
        while let Some(turn) = self.queue.next() {
            let job = &self.jobs[turn.item];
            self.listener.started(worker, &job.item.name);
            let clock = Instant::now();
            match self.bake(worker, job, turn, sender) {
                Err(Error::Memory { needed, .. }) if !turn.all => {
                    let bytes = needed.saturating_sub(memory::PROGRAM_BYTES);
                    let waiting = Waiting {
                        item: turn.item,
                        cost: job.cost(),
                        bytes: bytes.max(turn.bytes + 1),
                    };
                    memory::trim();
                    self.queue.again(turn, waiting);
                    continue;
                }
                outcome => {
                    let outcome = outcome.unwrap_or_else(Ending::Failed);
                    let file = job.item.report(outcome, clock.elapsed());
                    let _ = sender.send(Event::Finished(Some(worker), turn.item, Box::new(file)));
                }
            }
            // What it freed is the next one's.
            memory::trim();
            self.queue.done(turn);
        }
    }

    fn bake(
        &self,
        worker: usize,
        job: &Job,
        turn: Turn,
        sender: &Sender<Event>,
    ) -> Result<Ending, Error> {
        let mut request = job.item.work.clone()?;
        if request.beside == Beside::Replaced {
            // In a tree that mirrors another, folders are part of the result; elsewhere a missing one is a slip.
            make_folder(&job.item.output)?;
        }
        let key = job.key(&self.options)?;
        if !self.options.again {
            // Another run may have done it since.
            let known = job.found(key, &self.options, Some(request.beside));
            if let Some(ready) = ready(job, known, sender) {
                self.draw_again(worker, job, &request, sender);
                return Ok(ready);
            }
        }
        // Each on a thread of its own, as long as others keep the rest busy.
        let is_crowded = self.width(job) == 1 && turn.waiting + 1 >= self.alone.len();
        let (pool, width) = match is_crowded {
            true => (&self.alone[worker], 1),
            false => (&self.pool, self.pool.current_num_threads()),
        };
        request.width = Some(width);
        request.memory = self.memory.map(|all| match turn.all {
            true => all,
            false => turn.bytes + memory::PROGRAM_BYTES,
        });
        let output = &job.item.output;
        let watch = Watcher { run: self, worker };
        let work = || job::bake(&request, output, &watch);
        let bake = panic::catch_unwind(AssertUnwindSafe(|| pool.install(work)));
        let bake = bake.unwrap_or_else(|_| Err(defect(&request.input)))?;
        if let (Some(cache), Some(key)) = (&self.options.cache, key) {
            self.keep(cache, key, job, &request, &bake, sender);
        }
        self.show(job, bake.drawings, sender);
        Ok(Ending::Baked(bake.characters))
    }

    /// Draws a result that was there already.
    fn draw_again(&self, worker: usize, job: &Job, request: &Request, sender: &Sender<Event>) {
        if request.draws.is_none() {
            return;
        }
        let watch = Watcher { run: self, worker };
        let draw = || job::drawings(request, &job.item.output, &watch);
        let drawn = panic::catch_unwind(AssertUnwindSafe(|| self.pool.install(draw)));
        match drawn.unwrap_or_else(|_| Err(defect(&request.input))) {
            Ok(drawings) => self.show(job, drawings, sender),
            Err(error) => _ = sender.send(Event::Unseen(error)),
        }
    }

    /// Writes pictures, and hands on what is for a page.
    fn show(&self, job: &Job, drawings: Drawings, sender: &Sender<Event>) {
        if let Some(beginning) = &job.item.stills
            && let Err(error) = job::write_stills(beginning, &drawings.pictures)
        {
            _ = sender.send(Event::Unseen(error));
        }
        let albums = drawings.page.into_iter().map(|drawn| Album {
            file: job.item.name.clone(),
            character: drawn.skin,
            stills: drawn.stills,
            motion: drawn.motion,
        });
        let albums: Vec<Album> = albums.collect();
        if !albums.is_empty() {
            _ = sender.send(Event::Seen(albums));
        }
    }

    /// Keeps a result in the cache. That it could not be kept harms nothing but the next run's time.
    fn keep(
        &self,
        cache: &Cache,
        key: Key,
        job: &Job,
        request: &Request,
        bake: &Bake,
        sender: &Sender<Event>,
    ) {
        let output = &job.item.output;
        // An input that changed while it was read gave a result of nobody knows what.
        if cache::key(request, output).ok() != Some(key) {
            return;
        }
        let name = Path::new(&job.item.name);
        if let Err(reason) = cache.publish(key, name, output, &bake.files, &bake.characters) {
            let _ = sender.send(Event::Note(format!(
                "{}: the result is not kept in the cache: {reason}",
                job.item.name
            )));
        }
    }

    fn width(&self, job: &Job) -> usize {
        job.width(self.cost, self.pool.current_num_threads())
    }

    fn guess(&self, job: &Job) -> u64 {
        let width = self.width(job);
        job::guess_memory(&job.item.input, job.outline, width).saturating_sub(memory::PROGRAM_BYTES)
    }
}

/// How a job ends as far as that is known; tells of damaged entries of the cache.
fn ready(job: &Job, known: Known, sender: &Sender<Event>) -> Option<Ending> {
    match known {
        Known::Ready(ending) => Some(ending),
        Known::Kept | Known::Nothing => None,
        Known::Damaged(entry) => {
            let _ = sender.send(Event::Note(format!(
                "{entry}: a damaged entry of the cache; {} is baked anew",
                job.item.name
            )));
            None
        }
    }
}

/// Makes the folder of a result.
fn make_folder(output: &Path) -> Result<(), Error> {
    let folder = asset::folder_of(output);
    std::fs::create_dir_all(folder).map_err(|error| Error::Output {
        path: output.to_owned(),
        reason: format!("its folder {}: {error}", folder.display()),
    })
}

/// A job that panicked.
fn defect(input: &Path) -> Error {
    Fault::new(input, "", "a bake that ends", "a panic")
        .remedy("this is a defect of tanyard: please report it with the file and what was printed")
        .into()
}

/// Watches one job for the run.
struct Watcher<'a> {
    run: &'a Run,
    worker: usize,
}

impl Watch for Watcher<'_> {
    fn progress(&self, character: &str, stage: Stage, done: usize, total: usize) {
        let listener = &self.run.listener;
        listener.progress(self.worker, character, stage, done, total);
    }

    fn interrupted(&self) -> bool {
        self.run.listener.interrupted()
    }
}
