//! The check value of a definition.

use super::at;
use super::faults::Faults;
use crate::check::{Check, Formula, Parts, width};
use crate::definition::{
    ByteOrder, Checksum, ChecksumKind, ChecksumPlace, Complement, Covers, CrcForm, Definition, FramingKind, Step,
    Written,
};
use crate::encoding::mark_bytes;

pub(super) fn check(said: &Definition, faults: &mut Faults) -> Option<Check> {
    let checksum = said.checksum.as_ref()?;
    let formula = formula(checksum, faults)?;
    let place = place(said, checksum, faults);
    let covers = covers(said, checksum, place, faults);
    written(said, checksum, (formula, place), faults);
    let after = checksum.after.as_ref().map(|after| mark_bytes(said.text.encoding, after));
    if after == Some(None) {
        faults.add(at!["checksum", "after"], "this can't be a mark of bytes", "example: \"*\"");
    }
    if checksum.over_escaped && (said.framing.escape.is_none() || place != ChecksumPlace::AfterEnd) {
        let message = "only a check value behind the end mark can cover escapes";
        faults.add(at!["checksum", "over_escaped"], message, "give `framing.escape` and place = \"after-end\"");
    }
    let complement = match checksum.kind {
        ChecksumKind::Lrc => Complement::Twos,
        _ => checksum.complement,
    };
    Some(Check {
        formula,
        complement,
        modulo: checksum.modulo.filter(|modulo| *modulo > 0),
        add: checksum.add.unwrap_or(0),
        covers,
        written: checksum.written,
        width: width(checksum.written, formula.bits(), checksum.digits),
        order: checksum.order.unwrap_or(ByteOrder::Big),
        place,
        after: after.flatten().unwrap_or_default(),
        over_escaped: checksum.over_escaped,
        seven_bits: said.text.parity.is_some() || said.text.strip_high_bit,
    })
}

fn formula(checksum: &Checksum, faults: &mut Faults) -> Option<Formula> {
    let is_crc = !matches!(
        checksum.kind,
        ChecksumKind::Xor
            | ChecksumKind::Sum
            | ChecksumKind::Sum16
            | ChecksumKind::Lrc
            | ChecksumKind::OnesSum
            | ChecksumKind::OnesSum16
    );
    if checksum.seed.is_some() && is_crc {
        let message = "a CRC has no seed";
        faults.add(at!["checksum", "seed"], message, "what its register begins with is `init` of `crc`");
    }
    if checksum.kind == ChecksumKind::Lrc && checksum.complement != Complement::None {
        let message = "\"lrc\" is a two's complement already";
        faults.add(at!["checksum", "complement"], message, "leave it out, or take kind \"sum\"");
    }
    if checksum.modulo == Some(0) {
        faults.add(at!["checksum", "modulo"], "nothing can be divided by 0", "for example 100");
    }
    match (checksum.kind, &checksum.crc) {
        (ChecksumKind::Crc, None) => {
            let help = "for example crc = { width = 16, poly = 0x1021, init = 0xFFFF }";
            faults.add(at!["checksum", "crc"], "kind \"crc\" needs its parameters", help);
        }
        (ChecksumKind::Crc, Some(form)) => parameters(form, faults),
        (_, Some(_)) => {
            let message = "parameters of a CRC go with kind \"crc\"";
            faults.add(at!["checksum", "crc"], message, "leave them out, or kind = \"crc\"");
        }
        (_, None) => {}
    }
    let sane = checksum.crc.filter(|form| matches!(form.width, 8 | 16 | 24 | 32));
    let formula = Formula::of(checksum.kind, sane, checksum.seed.unwrap_or(0))?;
    let limit = 1_u64 << formula.bits();
    for (key, number) in [("seed", checksum.seed), ("add", checksum.add), ("modulo", checksum.modulo)] {
        if number.is_some_and(|number| u64::from(number) >= limit) {
            let message = format!("{} is more than the check value can hold", number.unwrap_or(0));
            faults.add(at!["checksum", key], message, &format!("less than {limit}"));
        }
    }
    Some(formula)
}

fn parameters(form: &CrcForm, faults: &mut Faults) {
    if !matches!(form.width, 8 | 16 | 24 | 32) {
        let message = format!("a CRC of {} bits is not supported", form.width);
        faults.add(at!["checksum", "crc", "width"], message, "8, 16, 24 or 32");
        return;
    }
    let limit = 1_u64 << form.width;
    for (key, number) in [("poly", form.poly), ("init", form.init), ("xorout", form.xorout)] {
        if u64::from(number) >= limit {
            let message = format!("{number:X} has more than {} bits", form.width);
            faults.add(at!["checksum", "crc", key], message, "leave out the highest term of the polynomial");
        }
    }
    if form.poly.is_multiple_of(2) {
        let message = "the polynomial is even, so its lowest term is missing";
        faults.add(at!["checksum", "crc", "poly"], message, "write it unreflected: 0x8005, not 0xA001 or 0x4003");
    }
}

fn place(said: &Definition, checksum: &Checksum, faults: &mut Faults) -> ChecksumPlace {
    let has_end = said.framing.end.is_some()
        && matches!(said.framing.kind, FramingKind::Block | FramingKind::Length | FramingKind::Prefix);
    let is_block = said.framing.kind == FramingKind::Block && has_end;
    let place = checksum.place.unwrap_or(if is_block { ChecksumPlace::AfterEnd } else { ChecksumPlace::Last });
    if place == ChecksumPlace::AfterEnd && !has_end {
        let message = "a check value behind the end mark needs an end mark";
        faults.add(at!["checksum", "place"], message, "give `framing.end`, or place = \"last\"");
    }
    if place != ChecksumPlace::Last && checksum.after.is_some() {
        faults.add(at!["checksum", "after"], "`after` belongs to a check value that stands last", "leave it out");
    }
    place
}

fn covers(said: &Definition, checksum: &Checksum, place: ChecksumPlace, faults: &mut Faults) -> Parts {
    let (start, length, end) = match checksum.covers {
        Covers::Payload => (false, false, false),
        Covers::PayloadEnd => (false, false, true),
        Covers::StartPayload => (true, false, false),
        Covers::StartPayloadEnd => (true, false, true),
        Covers::LengthPayload => (false, true, false),
        Covers::LengthPayloadEnd => (false, true, true),
        Covers::StartLengthPayload => (true, true, false),
        Covers::StartLengthPayloadEnd => (true, true, true),
    };
    let mut lacks = |is_covered: bool, is_there: bool, what: &str, help: &str| {
        if is_covered && !is_there {
            let message = format!("there is no {what} that a check value could cover");
            faults.add(at!["checksum", "covers"], message, help);
        }
    };
    let framing = &said.framing;
    lacks(start, framing.start.is_some(), "start mark", "give `framing.start`, or leave `start` out");
    lacks(length, framing.kind == FramingKind::Prefix, "length field", "kind = \"prefix\", or leave `length` out");
    let has_after = place == ChecksumPlace::Last && checksum.after.is_some();
    lacks(end, framing.end.is_some() || has_after, "end mark", "give `framing.end`, or leave `end` out");
    Parts { start, length, end }
}

fn written(said: &Definition, checksum: &Checksum, (formula, place): (Formula, ChecksumPlace), faults: &mut Faults) {
    let is_raw = matches!(checksum.written, Written::Byte | Written::Bytes);
    let is_digits = matches!(checksum.written, Written::Hex | Written::HexUpper | Written::HexLower | Written::Decimal);
    if checksum.digits.is_some() && !is_digits {
        faults.add(at!["checksum", "digits"], "only `hex` and `decimal` have digits", "leave it out");
    }
    if checksum.digits.is_some_and(|digits| !(1..=16).contains(&digits)) {
        faults.add(at!["checksum", "digits"], "a check value has 1 to 16 digits", "");
    }
    let usual = width(checksum.written, formula.bits(), None);
    let is_odd = checksum.digits.is_some_and(|digits| usize::from(digits) != usual);
    if checksum.order == Some(ByteOrder::Little) && (checksum.written == Written::Decimal || is_odd) {
        let message = "digits of this number have no byte order";
        faults.add(at!["checksum", "order"], message, "leave out `order` or `digits`");
    }
    let ends_by_mark = matches!(said.framing.kind, FramingKind::Lines | FramingKind::Rows | FramingKind::Block);
    let is_safe = place == ChecksumPlace::AfterEnd || said.framing.escape.is_some();
    if is_raw && ends_by_mark && !is_safe {
        let message = "a raw check byte before the end of the frame may equal the mark that ends it";
        let help = "it stands behind the end mark, or the frame has a length, or marks in it are escaped";
        faults.add(at!["checksum", "written"], message, help);
    }
}
