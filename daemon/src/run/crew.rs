//! Who captures and who delivers: one member per station and sink, each with its own stop.
//!
//! A new plan is applied by difference: members whose words did not change go on undisturbed, others are replaced.

use std::path::PathBuf;
use std::sync::Arc;
use std::sync::mpsc::{SyncSender, sync_channel};
use std::time::Duration;

use ridgepost_config::{Folder, Plan, Sink, Source, Station};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

use crate::capture::folder;
use crate::capture::line::{self, Shell};
use crate::capture::orders::{self, News};
use crate::capture::session::Before;
use crate::deliver;
use crate::store::{open_for_reading, query};

/// Wakes the sinks after a commit.
pub type Nudges = Vec<SyncSender<()>>;

/// A station or sink at work.
struct Member {
    name: String,
    /// Everything its work depends on, in words; the same words, the same work.
    words: String,
    stop: CancellationToken,
    nudge: Option<SyncSender<()>>,
    work: Work,
}

enum Work {
    Task(tokio::task::JoinHandle<()>),
    Thread(std::thread::JoinHandle<()>),
}

impl Member {
    fn is_finished(&self) -> bool {
        match &self.work {
            Work::Task(task) => task.is_finished(),
            Work::Thread(thread) => thread.is_finished(),
        }
    }
}

/// Everybody at work.
pub struct Crew {
    shell: Shell,
    store: PathBuf,
    /// Where job files of other systems are told.
    news: mpsc::Sender<News>,
    members: Vec<Member>,
    leaving: Vec<Member>,
    /// Stations started so far. A station that a changed configuration starts again counts its transmissions anew, and
    /// none of them may bear the name of an earlier one: it would be taken for known already, and be dropped.
    started: u64,
}

impl Crew {
    /// Nobody yet, and what will be told of job files of other systems. `shell` is what members get, with a stop of their own below its stop.
    pub fn new(shell: Shell, store: PathBuf) -> (Self, mpsc::Receiver<News>) {
        let (news, told) = mpsc::channel(1);
        (Crew { shell, store, news, members: Vec::new(), leaving: Vec::new(), started: 0 }, told)
    }

    /// Brings everybody to a plan: stops who is not in it any more or does other work, starts who is new. Returns
    /// how the sinks are woken.
    pub fn apply(&mut self, plan: &Plan) -> Nudges {
        let wanted = plan.stations.iter().map(station_words).chain(plan.sinks.iter().map(sink_words));
        let wanted: Vec<(String, String)> = wanted.chain(plan.orders.iter().map(orders_words)).collect();
        let is_wanted =
            |member: &Member| wanted.iter().any(|(name, words)| *name == member.name && *words == member.words);
        let (stay, leave): (Vec<Member>, Vec<Member>) =
            std::mem::take(&mut self.members).into_iter().partition(is_wanted);
        self.members = stay;
        self.leaving.retain(|member| !member.is_finished());
        for member in leave {
            tracing::info!(code = "ends", "{} ends: the configuration changed", member.name);
            member.stop.cancel();
            self.leaving.push(member);
        }
        for station in &plan.stations {
            let (name, words) = station_words(station);
            if !self.has(&name) {
                self.start_station(name, words, station);
            }
        }
        for sink in &plan.sinks {
            let (name, words) = sink_words(sink);
            if !self.has(&name) {
                self.start_sink(name, words, sink);
            }
        }
        if let Some(orders) = &plan.orders {
            let (name, words) = orders_words(orders);
            if !self.has(&name) {
                self.start_orders(name, words, orders.clone());
            }
        }
        self.members.iter().filter_map(|member| member.nudge.clone()).collect()
    }

    fn has(&self, name: &str) -> bool {
        self.members.iter().any(|member| member.name == name)
    }

    fn start_station(&mut self, name: String, words: String, station: &Station) {
        let stop = self.shell.stop.child_token();
        self.started += 1;
        let run = format!("{}.{}", self.shell.run, self.started).into();
        let shell = Shell { stop: stop.clone(), run, ..self.shell.clone() };
        let station = Arc::new(station.clone());
        let work = match station.source.clone() {
            Source::Stream(stream) => {
                let before = self.before(&station.name);
                Some(Work::Task(tokio::spawn(line::listen(station, stream, shell, before))))
            }
            Source::Folder(place) => thread(&name, move || folder::watch(station, place, shell)),
        };
        if let Some(work) = work {
            self.members.push(Member { name, words, stop, nudge: None, work });
        }
    }

    /// What an earlier run knew of a station's stream, as far as the store can be read.
    fn before(&self, station: &str) -> Before {
        let Ok(store) = open_for_reading(&self.store) else { return Before::default() };
        Before {
            cut: query::last_cut(&store, station).ok().flatten(),
            last: query::last_whole(&store, station).ok().flatten(),
        }
    }

    fn start_sink(&mut self, name: String, words: String, sink: &Sink) {
        let stop = self.shell.stop.child_token();
        let (nudge, nudged) = sync_channel(1);
        let worker = deliver::Worker {
            sink: sink.clone(),
            store: self.store.clone(),
            pen: self.shell.pen.clone(),
            nudged,
            board: self.shell.board.clone(),
            stop: stop.clone(),
            reader: None,
            porter: deliver::porter::Porter::new(&name),
        };
        if let Some(work) = thread(&name, move || worker.run()) {
            self.members.push(Member { name, words, stop, nudge: Some(nudge), work });
        }
    }

    fn start_orders(&mut self, name: String, words: String, folder: Folder) {
        let stop = self.shell.stop.child_token();
        let shell = Shell { stop: stop.clone(), ..self.shell.clone() };
        let news = self.news.clone();
        if let Some(work) = thread(&name, move || orders::watch(folder, shell, news)) {
            self.members.push(Member { name, words, stop, nudge: None, work });
        }
    }

    /// Waits for everybody up to a bound after the stop, and names who is still busy.
    pub async fn rest(mut self, within: Duration) -> Vec<String> {
        self.members.append(&mut self.leaving);
        let until = tokio::time::Instant::now() + within;
        while tokio::time::Instant::now() < until {
            for member in &self.members {
                // A sink that waits for a nudge sees the stop when it gets one.
                if let Some(nudge) = &member.nudge {
                    let _ = nudge.try_send(());
                }
            }
            self.members.retain(|member| !member.is_finished());
            if self.members.is_empty() {
                break;
            }
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        self.members.into_iter().map(|member| member.name).collect()
    }
}

fn thread(name: &str, work: impl FnOnce() + Send + 'static) -> Option<Work> {
    match std::thread::Builder::new().name(name.to_owned()).spawn(work) {
        Ok(thread) => Some(Work::Thread(thread)),
        Err(error) => {
            tracing::error!(code = "no-thread", "{name} could not be started: {error}");
            None
        }
    }
}

fn station_words(station: &Station) -> (String, String) {
    let Station { name, definition, gauge, source, scanner, .. } = station;
    (format!("station {name}"), format!("{} {gauge:?} {source:?} {scanner:?}", definition.hash))
}

fn sink_words(sink: &Sink) -> (String, String) {
    (format!("sink {}", sink.name), format!("{:?}", sink.kind))
}

fn orders_words(orders: &Folder) -> (String, String) {
    ("orders".to_owned(), format!("{orders:?}"))
}
