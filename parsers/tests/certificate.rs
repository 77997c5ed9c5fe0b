//! Certificates of specimens: one that the published schemas of DCC 3.1.2 and D-SI 2.1.0 take (checked with xmllint), and what
//! becomes of it where something is changed.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use ridgepost_parsers::{Certificate, read_certificate};

const SAMPLE: &str = include_str!("certificates/specimen.xml");

fn read(text: &str) -> Certificate {
    read_certificate(text.as_bytes()).unwrap_or_else(|fault| panic!("{fault}"))
}

/// `Ra: 3.05 µm U 0.06 k 2`, each value in a line.
fn told(certificate: &Certificate) -> Vec<String> {
    let each = certificate.values.iter().map(|value| {
        let quantity = value.quantity.as_ref().map_or("-".to_owned(), ToString::to_string);
        match &value.stated {
            Err(why) => format!("{quantity}: {why}"),
            Ok(stated) => {
                let u = stated.uncertainty.as_ref().map(|u| format!(" U {} k {}", u.value, u.factor));
                format!("{quantity}: {} {}{}", stated.value, stated.unit, u.unwrap_or_default())
            }
        }
    });
    each.collect()
}

#[test]
fn a_certificate_states_what_it_states() {
    let certificate = read(SAMPLE);
    assert_eq!(certificate.id, "CERT-2026-0042");
    assert_eq!(certificate.days, (Some("2026-01-09".to_owned()), Some("2026-01-10".to_owned())));
    assert_eq!(certificate.numbers, [("SPEC-7".to_owned(), Some("manufacturer".to_owned()))]);
    assert_eq!(certificate.laboratory.as_deref(), Some("invented laboratory"));
    assert_eq!(certificate.item.as_deref(), Some("roughness specimen, type C, regular profile"));
    assert_eq!(told(&certificate), ["Ra: 3.05 µm U 0.06 k 2", "Rz: 9.81 µm U 0.25 k 2"]);
    assert_eq!(certificate.values[0].name, "Ra");
    assert_eq!(certificate.values[0].kind.as_deref(), Some("basic_measuredValue"));
    assert_eq!(certificate.remarks, ["its signature was not checked"]);
}

/// The uncertainty of Rz, as the sample writes it.
const EXPANDED: &str = "<si:expandedUnc><si:uncertainty>0.25</si:uncertainty><si:coverageFactor>2</si:coverageFactor>\
                        <si:coverageProbability>0.95</si:coverageProbability></si:expandedUnc>";
const REAL: &str = "<si:value>9.81</si:value><si:unit>\\micro\\metre</si:unit>";

#[test]
fn values_are_read_in_every_form_or_say_why_not() {
    assert!(SAMPLE.contains(EXPANDED) && SAMPLE.contains(REAL));
    let univariate =
        |inner: &str| format!("<si:measurementUncertaintyUnivariate>{inner}</si:measurementUncertaintyUnivariate>");
    let cases: &[(&str, String, &str)] = &[
        (
            REAL,
            REAL.replace("9.81", "0.00981").replace("\\micro", "\\milli"),
            "Rz: an uncertainty of 0.25 is not above zero and below the value 0.00981",
        ),
        (
            REAL,
            REAL.replace("9.81", "9.81e-6").replace("\\micro\\metre", "\\metre"),
            "Rz: an uncertainty of 0.25 is not above zero and below the value 0.00000981",
        ),
        (REAL, REAL.replace("9.81", "9810").replace("\\micro", "\\nano"), "Rz: 9810 nm U 0.25 k 2"),
        (REAL, REAL.replace("\\micro", "\\centi"), "Rz: 98.1 mm U 2.5 k 2"),
        (REAL, REAL.replace("\\micro", "\\pico"), "Rz: 0.00981 nm U 0.00025 k 2"),
        (REAL, REAL.replace("\\micro\\metre", "\\percent"), "Rz: 9.81 % U 0.25 k 2"),
        (REAL, REAL.replace("\\micro\\metre", "\\kelvin"), "Rz: its unit `\\kelvin` is none that this reader knows"),
        (REAL, REAL.replace("9.81", "9,81"), "Rz: `9,81` is no number that can be held exactly"),
        (REAL, String::new(), "Rz: it states no value"),
        (EXPANDED, String::new(), "Rz: 9.81 µm"),
        (EXPANDED, EXPANDED.replace("0.25", "0"), "Rz: an uncertainty of 0 is not above zero and below the value 9.81"),
        (EXPANDED, EXPANDED.replace(">2<", ">7<"), "Rz: a coverage factor of 7 is none from 1 to 4"),
        (EXPANDED, EXPANDED.replace("0.95", "0.5"), "Rz: a coverage probability of 0.5 is none from 0.9 to 1"),
        (
            EXPANDED,
            univariate(
                "<si:expandedMU><si:valueExpandedMU>0.25</si:valueExpandedMU><si:coverageFactor>2.05</si:coverageFactor></si:expandedMU>",
            ),
            "Rz: 9.81 µm U 0.25 k 2.05",
        ),
        (
            EXPANDED,
            univariate("<si:standardMU><si:valueStandardMU>0.12</si:valueStandardMU></si:standardMU>"),
            "Rz: 9.81 µm U 0.24 k 2",
        ),
        (
            EXPANDED,
            univariate("<si:coverageIntervalMU/>"),
            "Rz: its uncertainty is written in a way that is not read: type it",
        ),
    ];
    for (from, to, expected) in cases {
        assert_eq!(told(&read(&SAMPLE.replace(from, to)))[1], *expected, "{to}");
    }
    // One quantity in two units: the other one must say the same.
    assert_eq!(
        told(&read(&SAMPLE.replace("3.05e-6", "3.06e-6")))[0],
        "Ra: 3.05 µm U 0.06 k 2",
        "a digit of the coarser"
    );
    let other = told(&read(&SAMPLE.replace("3.05e-6", "3.25e-6")));
    assert_eq!(other[0], "Ra: it is stated twice and differs: 3.05 µm and 0.00000325 m");
    // Names that are no symbol are left to a person.
    let named = SAMPLE
        .replace("<dcc:content lang=\"en\">Rz</dcc:content>", "<dcc:content lang=\"en\">mean depth</dcc:content>");
    assert_eq!(told(&read(&named))[1], "-: 9.81 µm U 0.25 k 2");
    let two = SAMPLE.replace(
        "<dcc:content lang=\"en\">Rz</dcc:content>",
        "<dcc:content lang=\"de\">Rautiefe</dcc:content><dcc:content lang=\"en\">Rz</dcc:content>",
    );
    assert_eq!(told(&read(&two))[1], "Rz: 9.81 µm U 0.25 k 2");
}

#[test]
fn lists_are_taken_one_by_one() {
    let real = SAMPLE.find("<si:real><si:value>9.81").unwrap();
    let end = real + SAMPLE[real..].find("</si:real>").unwrap() + "</si:real>".len();
    let listed =
        |inner: &str| format!("{}<si:realListXMLList>{inner}</si:realListXMLList>{}", &SAMPLE[..real], &SAMPLE[end..]);
    let unc = |digits: &str| {
        format!(
            "<si:expandedUncXMLList><si:uncertaintyXMLList>{digits}</si:uncertaintyXMLList><si:coverageFactorXMLList>2</si:coverageFactorXMLList>\
             <si:coverageProbabilityXMLList>0.95</si:coverageProbabilityXMLList></si:expandedUncXMLList>"
        )
    };
    let values = "<si:valueXMLList>9.81 9.9\n 10.0</si:valueXMLList><si:unitXMLList>\\micro\\metre</si:unitXMLList>";
    assert_eq!(
        told(&read(&listed(&format!("{values}{}", unc("0.2 0.3 0.4")))))[1..],
        ["Rz: 9.81 µm U 0.2 k 2", "Rz: 9.9 µm U 0.3 k 2", "Rz: 10.0 µm U 0.4 k 2"]
    );
    assert_eq!(told(&read(&listed(&format!("{values}{}", unc("0.2")))))[3], "Rz: 10.0 µm U 0.2 k 2");
    let wrong = told(&read(&listed(&format!("{values}{}", unc("0.2 0.3")))));
    assert_eq!(wrong[1], "Rz: its list of uncertainties has another length than its values");
}

#[test]
fn what_is_no_certificate_is_refused() {
    let entity = SAMPLE.replacen("?>", "?><!DOCTYPE x [<!ENTITY e SYSTEM \"file:///etc/passwd\">]>", 1);
    let cases = [
        ("".to_owned(), "this is no XML document that can be read"),
        ("<a/>".to_owned(), "it begins with <a>, not with <digitalCalibrationCertificate>"),
        (entity, "this is no XML document that can be read"),
        (SAMPLE.replace("https://ptb.de/dcc\"", "https://example.org/dcc\""), "it begins with"),
        (SAMPLE.replace("CERT-2026-0042", " "), "it states no unique identifier"),
        (SAMPLE[..SAMPLE.len() / 2].to_owned(), "this is no XML document that can be read"),
    ];
    for (text, expected) in cases {
        let fault = read_certificate(text.as_bytes()).expect_err(expected);
        assert!(fault.0.contains(expected), "{fault}");
    }
    // Conditions of the laboratory are no values of the specimen; a version that nobody knows is told.
    let quantity = "<dcc:influenceConditions><dcc:influenceCondition><dcc:data><dcc:quantity><si:real><si:value>20</si:value>\
                    <si:unit>\\degreecelsius</si:unit></si:real></dcc:quantity></dcc:data></dcc:influenceCondition></dcc:influenceConditions>";
    let more =
        read(&SAMPLE.replace("<dcc:results>", &format!("{quantity}<dcc:results>")).replace("\"3.1.2\"", "\"4.0.0\""));
    assert_eq!(more.values.len(), 2);
    assert!(more.remarks[1].contains("schema version `4.0.0`"), "{:?}", more.remarks);
}

/// Cut anywhere, it is refused; with any byte changed, it is read or refused and nothing else.
#[test]
fn damage_ends_in_an_error_or_in_a_certificate() {
    for cut in (0..SAMPLE.len() - 1).step_by(7) {
        assert!(read_certificate(&SAMPLE.as_bytes()[..cut]).is_err(), "cut at {cut}");
    }
    for at in 0..SAMPLE.len() {
        let mut bytes = SAMPLE.as_bytes().to_vec();
        bytes[at] ^= 0x15;
        let _ = read_certificate(&bytes);
    }
}
