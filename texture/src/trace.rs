//! A measured trace, and why one can't be evaluated.

/// Heights at equal steps along a straight line.
#[derive(Clone, Debug, PartialEq)]
pub struct Trace {
    /// Heights in µm.
    heights: Vec<f64>,
    /// Step in mm.
    step: f64,
}

/// Why a trace can't be evaluated.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Refusal {
    /// Heights or steps that are no numbers.
    #[error("height {0} (counted from 1) is no finite number")]
    NotFinite(usize),
    /// The step is no length.
    #[error("a spacing of {0} mm is no distance between points")]
    Spacing(f64),
    /// Points that are not equally far apart.
    #[error(
        "the points are not equally far apart: step {at} is {found} mm, the mean step {mean} mm; ask for resampling, or export with equal steps"
    )]
    Unequal {
        /// Number of the step, from 1.
        at: usize,
        /// Its length in mm.
        found: f64,
        /// Mean length in mm.
        mean: f64,
    },
    /// Less than one section.
    #[error(
        "{points} points of {step} mm are shorter than one section of {section} mm: nothing can be evaluated; take a shorter cutoff or a longer trace"
    )]
    TooShort {
        /// Points of the trace.
        points: usize,
        /// Step in mm.
        step: f64,
        /// Length of a section in mm.
        section: f64,
    },
    /// Fewer than eight points in a section.
    #[error("a section of {section} mm holds only {points} points: the trace is too coarse for this cutoff")]
    TooCoarse {
        /// Points in a section.
        points: usize,
        /// Its length in mm.
        section: f64,
    },
    /// A setting that is none.
    #[error("{0}")]
    Setting(&'static str),
}

/// How far a single step may differ from the mean one. Common practice, no source: drives and encoders are better.
const EQUAL_WITHIN: f64 = 0.01;

impl Trace {
    /// A trace of heights in µm at steps of `step` mm.
    ///
    /// # Errors
    /// [`Refusal::NotFinite`] and [`Refusal::Spacing`].
    pub fn new(heights: Vec<f64>, step: f64) -> Result<Trace, Refusal> {
        if let Some(at) = heights.iter().position(|height| !height.is_finite()) {
            return Err(Refusal::NotFinite(at + 1));
        }
        if !(step.is_finite() && step > 0.0) {
            return Err(Refusal::Spacing(step));
        }
        Ok(Trace { heights, step })
    }

    /// A trace of points: position in mm, height in µm. Positions may fall or rise.
    ///
    /// # Errors
    /// [`Refusal::Unequal`] where a step differs by more than 1 % from the mean one, and those of [`Trace::new`].
    pub fn from_points(points: &[(f64, f64)]) -> Result<Trace, Refusal> {
        let (heights, mean) = Trace::apart(points)?;
        for (at, pair) in points.windows(2).enumerate() {
            let [(from, _), (to, _)] = pair else { continue };
            let found = to - from;
            if (found - mean).abs() > EQUAL_WITHIN * mean.abs() {
                return Err(Refusal::Unequal { at: at + 1, found, mean });
            }
        }
        Trace::new(heights, mean.abs())
    }

    /// A trace of points that need not be equally far apart, by linear interpolation at the mean step.
    ///
    /// # Errors
    /// [`Refusal::Unequal`] where positions don't rise or fall throughout, and those of [`Trace::new`].
    pub fn resampled(points: &[(f64, f64)]) -> Result<Trace, Refusal> {
        let (mut heights, mean) = Trace::apart(points)?;
        let turned: Vec<(f64, f64)> = match mean < 0.0 {
            true => points.iter().rev().copied().collect(),
            false => points.to_vec(),
        };
        if let Some(at) = turned.windows(2).position(|pair| matches!(pair, [a, b] if b.0 <= a.0)) {
            return Err(Refusal::Unequal { at: at + 1, found: 0.0, mean });
        }
        let (step, start) = (mean.abs(), turned.first().map_or(0.0, |point| point.0));
        let mut at = 0;
        for (index, height) in heights.iter_mut().enumerate() {
            let x = start + index as f64 * step;
            while at + 2 < turned.len() && turned[at + 1].0 < x {
                at += 1;
            }
            let ((x0, z0), (x1, z1)) = (turned[at], turned[at + 1]);
            *height = z0 + (z1 - z0) * ((x - x0) / (x1 - x0)).clamp(0.0, 1.0);
        }
        Trace::new(heights, step)
    }

    /// The heights, and the mean step with its sign.
    fn apart(points: &[(f64, f64)]) -> Result<(Vec<f64>, f64), Refusal> {
        if let Some(at) = points.iter().position(|(x, z)| !(x.is_finite() && z.is_finite())) {
            return Err(Refusal::NotFinite(at + 1));
        }
        let (Some(first), Some(last)) = (points.first(), points.last()) else { return Err(Refusal::Spacing(0.0)) };
        let steps = points.len().saturating_sub(1).max(1) as f64;
        let mean = (last.0 - first.0) / steps;
        if mean == 0.0 {
            return Err(Refusal::Spacing(0.0));
        }
        Ok((points.iter().map(|point| point.1).collect(), mean))
    }

    /// Heights in µm.
    pub fn heights(&self) -> &[f64] {
        &self.heights
    }

    /// Step in mm.
    pub fn step(&self) -> f64 {
        self.step
    }
}
