//! Profile elements: a hill with the dale beside it, as far as both are large enough to count.
//!
//! The clause is called ambiguous by those who wrote reference programs, so the choices stand in the result: portions of one
//! sign between crossings of the mean line (a height of zero keeps the sign before it); one counts where it reaches `height`
//! and, unless it touches an end, is `width` wide; what does not count, and what has the sign of the feature before it, joins
//! that feature; the crossing where a portion of the other sign begins that counts is a bound; an element reaches over two
//! bounds.

/// Mean width and mean height of elements.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Elements {
    /// Mean width in mm (RSm).
    pub width: f64,
    /// Mean of highest minus lowest in µm (Rc).
    pub height: f64,
    /// How many.
    pub count: usize,
}

/// Heights at each end of a run of one sign, the second not included.
struct Portion {
    above: bool,
    from: usize,
    to: usize,
}

/// Runs of one sign.
fn portions(z: &[f64]) -> Vec<Portion> {
    let Some(mut above) = z.iter().find(|z| **z != 0.0).map(|z| *z > 0.0) else { return Vec::new() };
    let mut portions: Vec<Portion> = vec![Portion { above, from: 0, to: z.len() }];
    for (at, z) in z.iter().enumerate() {
        if *z != 0.0 && (*z > 0.0) != above {
            above = *z > 0.0;
            if let Some(last) = portions.last_mut() {
                last.to = at;
            }
            portions.push(Portion { above, from: at, to: usize::MAX });
        }
    }
    if let Some(last) = portions.last_mut() {
        last.to = z.len();
    }
    portions
}

/// Where features begin behind the first, in mm.
fn bounds(z: &[f64], step: f64, hill: f64, dale: f64, width: f64) -> Vec<f64> {
    let portions = portions(z);
    let crossing = |at: usize| {
        let (a, b) = (z[at - 1], z[at]);
        if a - b == 0.0 { at as f64 * step } else { (at as f64 - 1.0 + a / (a - b)) * step }
    };
    let last = portions.len().saturating_sub(1);
    let mut current = None;
    let mut bounds = Vec::new();
    for (number, portion) in portions.iter().enumerate() {
        let extreme = z[portion.from..portion.to].iter().fold(0.0_f64, |most, z| most.max(z.abs()));
        let from = if number == 0 { 0.0 } else { crossing(portion.from) };
        let to = if number == last { (z.len() - 1) as f64 * step } else { crossing(portion.to) };
        let is_high = extreme >= if portion.above { hill } else { dale };
        if !is_high || !(number == 0 || number == last || to - from >= width) {
            continue;
        }
        if current.is_some_and(|above| above != portion.above) {
            bounds.push(from);
        }
        current = Some(portion.above);
    }
    bounds
}

/// Width and height of each element.
fn each(z: &[f64], step: f64, bounds: &[f64]) -> Vec<(f64, f64)> {
    let spans = (0..bounds.len().saturating_sub(2)).step_by(2).map(|at| (bounds[at], bounds[at + 2]));
    spans
        .filter_map(|(from, to)| {
            let first = (from / step - 1e-9).ceil().max(0.0) as usize;
            let last = (to / step + 1e-9).floor() as usize;
            let within = z.get(first..=last.min(z.len() - 1)).filter(|within| !within.is_empty())?;
            Some((to - from, super::height(within)))
        })
        .collect()
}

fn mean(all: &[(f64, f64)]) -> Option<Elements> {
    let count = all.len();
    let sum = |of: fn(&(f64, f64)) -> f64| all.iter().map(of).sum::<f64>() / count as f64;
    (count > 0).then(|| Elements { width: sum(|it| it.0), height: sum(|it| it.1), count })
}

/// Elements from left to right: ISO 4287 3.2.7, 4.1.4 and 4.3.1 (from memory). Heights in µm, `step` and `width` in mm.
/// `None` where there is none.
pub fn elements(z: &[f64], step: f64, height: f64, width: f64) -> Option<Elements> {
    mean(&each(z, step, &bounds(z, step, height, height, width)))
}

/// Elements in both directions with a height each for hills and dales and no width: ISO 21920-2 (unconfirmed reading).
pub fn elements_two_way(z: &[f64], step: f64, hill: f64, dale: f64) -> Option<Elements> {
    let back: Vec<f64> = z.iter().rev().copied().collect();
    let mut all = each(z, step, &bounds(z, step, hill, dale, 0.0));
    all.extend(each(&back, step, &bounds(&back, step, hill, dale, 0.0)));
    mean(&all)
}

/// Highest of each hill, lowest of each dale.
pub(super) fn extremes(z: &[f64]) -> (Vec<f64>, Vec<f64>) {
    let (mut peaks, mut valleys) = (Vec::new(), Vec::new());
    for portion in portions(z) {
        let within = &z[portion.from..portion.to];
        match portion.above {
            true => peaks.push(super::peak(within)),
            false => valleys.push(-super::valley(within)),
        }
    }
    (peaks, valleys)
}
