//! Frames of a fixed length.

use super::{Cutter, Phase, Step, all_blank};
use crate::frame::Close;

/// One step of a frame of `length` bytes. Where its end mark is not in its place the frame goes on to the next
/// end mark, so that one damaged frame does not shift all later ones.
pub(super) fn step_length(
    cutter: &mut Cutter,
    open: &[u8],
    start: &[u8],
    length: usize,
    (end, behind): (&[u8], usize),
) -> Step {
    if cutter.phase == Phase::Outside {
        if !open.ends_with(start) {
            return Step::More;
        }
        // Without a start mark the first byte is the first of the body already.
        let mark = start.len().max(1);
        let at = open.len() - mark;
        let body_start = start.len();
        if at > 0 && !all_blank(&open[..at]) {
            cutter.begin(body_start);
            return Step::Split { at, body: 0..at, close: Close::Stray };
        }
        cutter.begin(at + body_start);
    }
    let Phase::Inside { body_start } = cutter.phase else { return Step::More };
    let taken = open.len() - (body_start - start.len());
    let body_end = open.len().saturating_sub(behind + end.len()).max(body_start);
    if taken < length || !open[..open.len().saturating_sub(behind)].ends_with(end) {
        return Step::More;
    }
    cutter.close(body_start..body_end)
}
