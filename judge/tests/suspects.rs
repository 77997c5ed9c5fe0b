//! What a gauge that was found bad measured: margins and what-if by hand.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "tests may fail loudly")]

mod bench;

use bench::{decimal, quantity};
use ridgepost_judge::{Bias, Biases, bias_for, margin};
use ridgepost_parsers::Unit;

/// Quantity, certified value and deviation of a verification; a value measured with the gauge, and without the error.
#[test]
fn the_error_is_taken_off() {
    for (symbol, certified, deviation, unit, value, of, expected) in [
        // 10 % too much: 0.88 was 0.8.
        ("Ra", "3.00", "0.300", Unit::Micrometre, "0.88", Unit::Micrometre, "0.8000"),
        ("Ra", "3.00", "0.300", Unit::Micrometre, "31.50", Unit::Microinch, "28.6364"),
        ("Ra", "3.00", "-0.300", Unit::Micrometre, "0.720", Unit::Micrometre, "0.80000"),
        ("Rz", "9.4", "0", Unit::Micrometre, "4.12", Unit::Micrometre, "4.1200"),
        // Sizes and hardness are shifted.
        ("D", "25.000", "0.004", Unit::Millimetre, "24.998", Unit::Millimetre, "24.99400"),
        ("D", "25.000", "4", Unit::Micrometre, "24.998", Unit::Millimetre, "24.99400"),
        ("hardness", "60.1", "-0.8", Unit::Hrc, "58.2", Unit::Hrc, "59.000"),
    ] {
        let bias = Bias::found(&quantity(symbol), decimal(certified), decimal(deviation), unit).unwrap();
        let value = bias.taken_off(decimal(value), of).map(|value| value.to_string());
        assert_eq!(value.as_deref(), Some(expected), "{symbol} {bias:?}");
    }
    assert_eq!(Bias::found(&quantity("Ra"), decimal("0"), decimal("0.1"), Unit::Micrometre), None);
    assert_eq!(Bias::Percent(decimal("-100")).taken_off(decimal("1"), Unit::Micrometre), None);
    assert_eq!(Bias::Offset(decimal("1"), Unit::Hrc).taken_off(decimal("1"), Unit::Micrometre), None);
}

#[test]
fn a_height_that_was_not_verified_has_the_largest_share() {
    let biases = Biases::from([
        (quantity("Ra"), Bias::Percent(decimal("5"))),
        (quantity("Rz"), Bias::Percent(decimal("-8"))),
        (quantity("D"), Bias::Offset(decimal("0.1"), Unit::Millimetre)),
    ]);
    let told = |symbol| bias_for(&biases, &quantity(symbol)).map(|(of, _)| of.to_string());
    assert_eq!(told("Ra").as_deref(), Some("Ra"));
    assert_eq!(told("Rq").as_deref(), Some("Rz"));
    assert_eq!(told("D").as_deref(), Some("D"));
    for without in ["Rsk", "hardness", "L"] {
        assert_eq!(told(without), None, "{without}");
    }
}

#[test]
fn the_margin_is_the_way_to_the_nearer_limit() {
    for (value, lower, upper, expected) in [
        ("0.412", None, Some("0.8"), Some("0.388")),
        ("0.8", None, Some("0.8"), Some("0")),
        ("0.9", None, Some("0.8"), Some("-0.1")),
        ("24.990", Some("24.987"), Some("25"), Some("0.003")),
        ("24.980", Some("24.987"), Some("25"), Some("-0.007")),
        ("59", Some("58"), None, Some("1")),
        ("59", None, None, None),
    ] {
        let told = margin(decimal(value), lower.map(decimal), upper.map(decimal));
        assert_eq!(told, expected.map(decimal), "{value}");
    }
}
