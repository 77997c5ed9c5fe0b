//! Profiles in open file formats: SDF (ISO 25178-71) and X3P (ISO 25178-72, ISO 5436-2).
//!
//! Both come from outside and are refused with a reason where anything in them does not fit; nothing is made room for before
//! its size is known to be true.

use std::fmt;

mod sdf;
mod x3p;

pub use sdf::read as read_sdf;
pub use x3p::read as read_x3p;

/// A profile as a file holds it, in metres.
#[derive(Clone, Debug, PartialEq)]
pub struct StoredProfile {
    /// Distance of the points in m; `None` where `positions` says where each is.
    pub step: Option<f64>,
    /// Position of each point in m, where the file states them.
    pub positions: Vec<f64>,
    /// Height of each point in m; `None` where the file says that it is no valid one.
    pub heights: Vec<Option<f64>>,
}

/// Why a file holds no profile that can be read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ProfileFault(pub String);

impl fmt::Display for ProfileFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl std::error::Error for ProfileFault {}

/// Most points of a profile: a trace of 100 mm at 0.01 µm.
const MOST_POINTS: u64 = 10_000_000;

fn fault<T>(message: impl Into<String>) -> Result<T, ProfileFault> {
    Err(ProfileFault(message.into()))
}

/// A count of points that may be made room for.
fn points(count: u64) -> Result<usize, ProfileFault> {
    match usize::try_from(count) {
        Ok(points) if points > 0 && count <= MOST_POINTS => Ok(points),
        _ => fault(format!("{count} points are none that a profile has (1 to {MOST_POINTS})")),
    }
}

/// Numbers as they lie in files, little endian.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    U8,
    I8,
    U16,
    I16,
    U32,
    I32,
    F32,
    F64,
}

impl Kind {
    fn size(self) -> usize {
        match self {
            Kind::U8 | Kind::I8 => 1,
            Kind::U16 | Kind::I16 => 2,
            Kind::U32 | Kind::I32 | Kind::F32 => 4,
            Kind::F64 => 8,
        }
    }

    /// The number in exactly [`Kind::size`] bytes.
    fn number(self, bytes: &[u8]) -> Option<f64> {
        Some(match self {
            Kind::U8 => f64::from(*bytes.first()?),
            Kind::I8 => f64::from(i8::from_le_bytes(bytes.try_into().ok()?)),
            Kind::U16 => f64::from(u16::from_le_bytes(bytes.try_into().ok()?)),
            Kind::I16 => f64::from(i16::from_le_bytes(bytes.try_into().ok()?)),
            Kind::U32 => f64::from(u32::from_le_bytes(bytes.try_into().ok()?)),
            Kind::I32 => f64::from(i32::from_le_bytes(bytes.try_into().ok()?)),
            Kind::F32 => f64::from(f32::from_le_bytes(bytes.try_into().ok()?)),
            Kind::F64 => f64::from_le_bytes(bytes.try_into().ok()?),
        })
    }

    /// Smallest and largest number of the kind: what stands for a point that is none.
    fn bounds(self) -> (f64, f64) {
        match self {
            Kind::U8 => (0.0, f64::from(u8::MAX)),
            Kind::I8 => (f64::from(i8::MIN), f64::from(i8::MAX)),
            Kind::U16 => (0.0, f64::from(u16::MAX)),
            Kind::I16 => (f64::from(i16::MIN), f64::from(i16::MAX)),
            Kind::U32 => (0.0, f64::from(u32::MAX)),
            Kind::I32 => (f64::from(i32::MIN), f64::from(i32::MAX)),
            Kind::F32 => (f64::from(f32::MIN), f64::from(f32::MAX)),
            Kind::F64 => (f64::MIN, f64::MAX),
        }
    }
}
