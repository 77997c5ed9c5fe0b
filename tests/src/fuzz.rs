//! Looks for inputs that break what must hold for every input: changes known ones at random, keeps those that bring out
//! something new, and makes a breaking one as small as it goes before telling it.
//!
//! No instrument of the compiler tells which code ran. What is new is told by [`Target::check`] itself, as traits of
//! what came out (a reason, a fault, a remark): an input that shows an unseen trait is changed further.

pub mod checks;
pub mod memory;
pub mod mutate;

use std::cell::Cell;
use std::collections::BTreeSet;
use std::panic::{AssertUnwindSafe, catch_unwind, set_hook, take_hook};
use std::path::{Path, PathBuf};
use std::sync::Once;
use std::time::{Duration, Instant};

use crate::seed::Seeded;
use memory::measured;

/// Most inputs that are kept for being changed further.
const POOL_MAX: usize = 600;

/// Checks that making an input smaller may take.
const SHRINKING_CHECKS: usize = 1_500;

/// No input takes this long, even on a slow machine.
const LONGEST: Duration = Duration::from_secs(30);

/// An input and the kind that it was made from (a recording, a file of a cell), which says how it is read.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
pub struct Input {
    /// The kind; it stands in the names of kept files.
    pub of: String,
    /// The bytes.
    pub bytes: Vec<u8>,
}

/// How an input is changed.
pub type Change<'t> = dyn Fn(&mut Seeded, &Input, &[&[u8]]) -> Vec<u8> + 't;

/// What must hold for an input: the traits of what came out, or what is wrong.
pub type Check<'t> = dyn Fn(&Input) -> Result<Vec<String>, String> + 't;

/// Something that reads what comes from outside.
pub struct Target<'t> {
    /// Its name.
    pub name: &'t str,
    /// Known inputs.
    pub seeds: Vec<Input>,
    /// Makes another input of one; the last argument are known inputs of the same kind.
    pub change: &'t Change<'t>,
    /// Holds an input to what must hold.
    pub check: &'t Check<'t>,
    /// Most bytes of memory that an input of so many bytes may take.
    pub memory: fn(usize) -> usize,
}

/// How long to look.
#[derive(Clone, Copy, Debug)]
pub enum Until {
    /// This long.
    Time(Duration),
    /// So many inputs.
    Inputs(u64),
}

/// What a search came to.
#[derive(Clone, Debug, Default)]
pub struct Searched {
    /// Inputs that were checked.
    pub inputs: u64,
    /// Different traits that came out.
    pub traits: usize,
    /// Inputs that showed an unseen one, as small as they go; with seeds and kept ones not among them.
    pub new: Vec<Input>,
}

/// An input that breaks what must hold.
#[derive(Clone, Debug)]
pub struct Broken {
    /// As small as it was made.
    pub input: Input,
    /// What is wrong.
    pub words: String,
}

impl Target<'_> {
    /// Looks until an input breaks something or it is over. A place for the input being checked (`current`) lets it be
    /// seen where the whole process ends.
    pub fn search(&self, seed: u64, until: Until, current: Option<&Path>) -> Result<Searched, Broken> {
        be_quiet();
        let (began, mut seeded) = (Instant::now(), Seeded::new(seed));
        let (mut searched, mut known) = (Searched::default(), BTreeSet::new());
        let mut pool = self.seeds.clone();
        for input in &self.seeds {
            known.extend(self.try_one(input).map_err(|words| self.smallest(input, words))?);
            searched.inputs += 1;
        }
        loop {
            let is_over = match until {
                Until::Time(time) => began.elapsed() >= time,
                Until::Inputs(inputs) => searched.inputs >= inputs,
            };
            if is_over || pool.is_empty() {
                searched.traits = known.len();
                return Ok(searched);
            }
            let from = seeded.pick(&pool).clone();
            let others: Vec<&[u8]> =
                pool.iter().filter(|input| input.of == from.of).map(|input| &input.bytes[..]).take(50).collect();
            let input = Input { bytes: (self.change)(&mut seeded, &from, &others), of: from.of };
            if let Some(current) = current {
                let _ = std::fs::write(current, &input.bytes);
            }
            searched.inputs += 1;
            let traits = self.try_one(&input).map_err(|words| self.smallest(&input, words))?;
            if traits.iter().any(|one| !known.contains(one)) && pool.len() < POOL_MAX {
                let new: BTreeSet<&String> = traits.iter().filter(|one| !known.contains(*one)).collect();
                let shows =
                    |input: &Input| self.try_one(input).is_ok_and(|shown| new.iter().all(|one| shown.contains(one)));
                let small = smaller(&input, 200, &shows);
                known.extend(traits.iter().cloned());
                searched.new.push(small.clone());
                pool.push(small);
            }
        }
    }

    fn smallest(&self, input: &Input, words: String) -> Broken {
        let input = smaller(input, SHRINKING_CHECKS, &|input| self.try_one(input).is_err());
        let words = self.try_one(&input).err().unwrap_or(words);
        Broken { input, words }
    }

    /// Checks one input: what must hold, no panic, bounded memory and time.
    pub fn try_one(&self, input: &Input) -> Result<Vec<String>, String> {
        let began = Instant::now();
        QUIET.set(true);
        let (told, spent) = measured(|| catch_unwind(AssertUnwindSafe(|| (self.check)(input))));
        QUIET.set(false);
        let traits = told.unwrap_or_else(|cause| {
            let words = cause.downcast_ref::<String>().cloned();
            let words = words.or_else(|| cause.downcast_ref::<&str>().map(|text| (*text).to_owned()));
            Err(format!("panic: {}", words.unwrap_or_default()))
        })?;
        let most = (self.memory)(input.bytes.len());
        if spent.peak > most {
            return Err(format!("{} bytes of input took {} of memory, at most {most}", input.bytes.len(), spent.peak));
        }
        let took = began.elapsed();
        if took > LONGEST {
            return Err(format!("{} bytes of input took {took:?}", input.bytes.len()));
        }
        Ok(traits)
    }
}

thread_local! {
    static QUIET: Cell<bool> = const { Cell::new(false) };
}

/// Panics of what is searched are told once, with the smallest input, and not each with its stack.
fn be_quiet() {
    static ONCE: Once = Once::new();
    ONCE.call_once(|| {
        let loud = take_hook();
        set_hook(Box::new(move |info| {
            if !QUIET.get() {
                loud(info);
            }
        }));
    });
}

/// `input` without what it does not need for `holds`.
fn smaller(input: &Input, mut checks: usize, holds: &dyn Fn(&Input) -> bool) -> Input {
    let mut best = input.clone();
    let mut size = (best.bytes.len() / 2).max(1);
    while size > 0 {
        let mut at = 0;
        while at < best.bytes.len() && checks > 0 {
            let mut shorter = best.clone();
            shorter.bytes.drain(at..(at + size).min(best.bytes.len()));
            checks -= 1;
            if holds(&shorter) {
                best = shorter;
            } else {
                at += size;
            }
        }
        size /= 2;
    }
    best
}

/// A text with everything that differs from input to input taken out: what is quoted and what is counted.
pub fn outline(text: &str) -> String {
    let quotes = ['`', '"', '\'', '='];
    let first = text.split(quotes).next().unwrap_or_default();
    let last = text.rsplit(quotes).next().unwrap_or_default();
    let mut kept = if first == text { first.to_owned() } else { format!("{first}_{last}") };
    kept.retain(|char| char.is_ascii_alphabetic() || matches!(char, ' ' | '_'));
    kept.truncate(60);
    kept
}

/// Inputs of earlier searches that are kept in the tree for `target`.
pub fn kept(target: &str) -> Vec<Input> {
    let Ok(entries) = std::fs::read_dir(folder(target)) else { return vec![] };
    let mut paths: Vec<PathBuf> = entries.flatten().map(|entry| entry.path()).collect();
    paths.sort();
    let input = |path: &PathBuf| {
        let name = path.file_name()?.to_str()?;
        let (of, _) = name.rsplit_once('.')?;
        Some(Input { of: of.to_owned(), bytes: std::fs::read(path).ok()? })
    };
    paths.iter().filter_map(input).collect()
}

/// Most bytes of an input that is kept in the tree, and how many of a target are kept at once.
const KEPT: (usize, usize) = (400, 24);

/// Keeps the shortest of `inputs` in the tree.
pub fn keep(target: &str, inputs: &[Input]) -> std::io::Result<()> {
    let (bytes_max, inputs_max) = KEPT;
    let mut inputs: Vec<&Input> = inputs.iter().filter(|input| input.bytes.len() <= bytes_max).collect();
    inputs.sort_by_key(|input| (input.bytes.len(), &input.of, &input.bytes));
    inputs.dedup();
    std::fs::create_dir_all(folder(target))?;
    for input in inputs.into_iter().take(inputs_max) {
        let mark =
            input.bytes.iter().fold(0x811c_9dc5_u32, |mark, byte| (mark ^ u32::from(*byte)).wrapping_mul(0x0100_0193));
        std::fs::write(folder(target).join(format!("{}.{mark:08x}", input.of)), &input.bytes)?;
    }
    Ok(())
}

fn folder(target: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/kept").join(target)
}
