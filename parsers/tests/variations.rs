//! Tables, reports and pairs of other instruments than those of the corpus: layouts that differ in one thing each.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod shown;

use shown::{fault, says};

const TABLE: &str = "[framing]\nkind = \"rows\"\n[table]\ndelimiter = \";\"\nheader = '#;.*'\n[numbers]\ndecimal = \",\"\n\
    [names]\n\"#\" = \"number\"\n";

#[test]
fn headings_may_stand_in_two_rows() {
    let definition = TABLE.replace("header = '#;.*'", "header = '#;.*'\nheader_above = ';;Ra;.*'")
        + "\"Ra val\" = \"Ra\"\n\"Ra max\" = \"Ra.limit_upper\"\n\"Ra ok?\" = \"Ra.verdict\"\n\"Rz val\" = \"Rz\"\n\
           \"Rz max\" = \"Rz.limit_upper\"\nPart = \"part\"\n[verdicts]\nOK = \"in\"\n[reading]\n\
           unit = \"um\"\n";
    says(
        &definition,
        b";;Ra;;;Rz;\r\n#;Part;val;max;ok?;val;max\r\n1;A;0,41;0,8;OK;2,9;6,3\r\n",
        &["ok", "ok", "ok | Ra=0.41 µm {verdict:OK upper:0,8 no:1 part:A}, Rz=2.9 µm {upper:6,3 no:1 part:A}"],
    );
    says(&definition, b";;Ra;;;Rz\r\n#;Part;val;max;ok?;val;max\r\n", &["ok", "damaged count"]);
    says(&definition, b"#;Part;val;max;ok?;val;max\r\n1;A;0,41;0,8;OK;2,9;6,3\r\n", &["ok", "damaged missing-field"]);
}

#[test]
fn a_heading_that_comes_twice_is_declared_or_damage() {
    let plain = format!("{TABLE}[reading]\nunit = \"um\"\n");
    says(&plain, b"#;Ra;Ra\n1;0,41;0,42\n", &["damaged sanity", "damaged missing-field"]);
    says(
        &format!("{plain}quantity_again = true\n"),
        b"#;Ra;Ra\n1;0,41;0,42\n",
        &["ok", "ok | Ra=0.41 µm {no:1}, Ra=0.42 µm {no:1}"],
    );
    let traces = plain.replace("[reading]", "\"Ra 1\" = \"Ra\"\n\"Ra 2\" = \"Ra\"\n\"Ra mean\" = \"mean\"\n[reading]");
    says(
        &traces,
        b"#;Ra 1;Ra 2;Ra mean\n1;0,41;0,42;0,415\n",
        &["ok", "ok | Ra=0.41 µm {no:1 mean:0,415}, Ra=0.42 µm {no:1 mean:0,415}"],
    );
}

#[test]
fn long_tables_have_a_row_per_value_and_a_column_for_the_unit() {
    let long = format!("{TABLE}Parameter = \"quantity\"\nWert = \"value\"\nEinheit = \"unit\"\nLc = \"cutoff\"\n");
    says(
        &long,
        "#;Parameter;Wert;Einheit;Lc\n7;Ra;0,410;um;0,8 mm\n7;Rsm;0,1;mm;0,8 mm\n8;Rmr(0.5);12,5;%;\n8;Ra;0,4;;\n8;Rx;1;um;\n"
            .as_bytes(),
        &[
            "ok",
            "ok | Ra=0.410 µm {no:7 cutoff:0.8 mm}",
            "damaged missing-field",
            "ok | Rmr(0.5)=12.5 % {no:8}",
            "damaged unit",
            "damaged missing-field",
        ],
    );
    let wide = format!(
        "{TABLE}\"Ra unit\" = \"Ra.unit\"\n\"Rz unit\" = \"Rz.unit\"\nSt = \"Rz.state\"\n[states]\n1 = \"over\"\n0 = \"good\"\n"
    );
    says(
        &wide,
        b"#;Ra;Ra unit;Rz;Rz unit;St\n1;0,41;um;2900;nm;0\n2;0,4;um;9999;nm;1\n",
        &["ok", "ok | Ra=0.41 µm {no:1}, Rz=2900 nm {no:1}", "ok | Ra=0.4 µm {no:2}, Rz=<over> nm {code:1 no:2}"],
    );
}

#[test]
fn tables_between_blanks_have_headers_too() {
    let definition = "[framing]\nkind = \"block\"\nend_blank_line = true\n[table]\ndelimiter = \" \"\nheader = ' *No +.*'\n\
        heading = '(?<quantity>\\w+)/(?<unit>\\w+)'\n[names]\nNo = \"number\"\n[[line]]\npattern = ' *-+'\nignore = true\n\
        [[line]]\npattern = ' *(mean|s) .*'\nignore = true\n";
    says(
        definition,
        b"  No   Ra/um   Rz/um\n ------\n   1   0.410   2.87\n\t2\t0.398   2.91\n mean  0.404   2.89\n\n",
        &["ok | Ra=0.410 µm {no:1}, Rz=2.87 µm {no:1}, Ra=0.398 µm {no:2}, Rz=2.91 µm {no:2}"],
    );
    says(definition, b" No Ra/um Rz/um\n 1 0.410\n\n", &["damaged count"]);
    says(definition, b" No Ra/um Rz/um\n 1 0.4 10 2.8\n\n", &["damaged count"]);
}

#[test]
fn values_stand_side_by_side() {
    let definition = "[framing]\nkind = \"block\"\nend = \"\\f\"\n[[line]]\npattern = 'No (?<number>\\d+)'\n\
        [[line]]\nagain = true\npattern = ' *(?<quantity>R\\w+) +(?<value>\\S+) (?<unit>um|nm)'\n";
    says(
        definition,
        b"No 7\r\nRa   0.410 um    Rz  2.870 um\r\nRq  520 nm\r\n\x0c",
        &["ok | Ra=0.410 µm {no:7}, Rz=2.870 µm {no:7}, Rq=520 nm {no:7}"],
    );
    says(definition, b"No 7\r\nRa   0.410 um    Rz  2.870\r\n\x0c", &["damaged unit"]);
    says(definition, b"No 7\r\nRa   0.410 um    Ra  0.410 um\r\n\x0c", &["damaged sanity"]);
    assert_eq!(
        fault(
            "[[line]]\npattern = '(?<number>.+)'\nagain = true\n[[line]]\npattern = '(?<Ra>.+)'\n[reading]\nunit = \"um\"\n"
        ),
        "line.0.again: only values stand side by side"
    );
}

/// Several measurements in one report, with statistics that look like values, and a page head that comes again.
#[test]
fn statistics_of_a_report_are_skipped() {
    let definition = r#"
[framing]
kind = "block"
start_line = 'REPORT (?<count>\d+)'
end_line = 'END OF REPORT'
[[line]]
pattern = 'No (?<number>\d+) *(?<remark>\w*)'
starts_record = true
[[line]]
pattern = 'STATISTICS'
ignore = true
skip_to = '(No .*|=+)'
[[line]]
pattern = '=+'
ignore = true
[[line]]
pattern = '- page \d+ -'
ignore = true
[[line]]
pattern = '(?<quantity>R\w) (?<value>\S+) (?<unit>um)'
"#;
    let report = b"REPORT 2\nNo 1 first\nRa 0.41 um\nRz 2.87 um\n- page 2 -\nSTATISTICS\nRa 0.40 um\nRz 9.99 um\nNo 2\nRa 0.42 um\nSTATISTICS\nRa 7 um\n===\nEND OF REPORT\n";
    says(
        definition,
        report,
        &["ok | Ra=0.41 µm {no:1 remark:first}, Rz=2.87 µm {no:1 remark:first}, Ra=0.42 µm {no:2}"],
    );
    let to_the_end = definition.replace("skip_to = '(No .*|=+)'", "skip_to = ''");
    says(
        &to_the_end,
        b"REPORT 1\nNo 1\nRa 0.41 um\nSTATISTICS\nRa 9 um\nwhatever\nEND OF REPORT\n",
        &["ok | Ra=0.41 µm {no:1}"],
    );
    says(&to_the_end, report, &["damaged count"]);
    let rows =
        format!("{TABLE}[reading]\nunit = \"um\"\n[[line]]\npattern = 'Mittel;.*'\nignore = true\nskip_to = '#;.*'\n");
    says(
        &rows,
        b"#;Ra\n1;0,41\nMittel;0,4\n3;0,01\n#;Ra\n2;0,42\n",
        &["ok", "ok | Ra=0.41 µm {no:1}", "ok", "ok", "ok", "ok | Ra=0.42 µm {no:2}"],
    );
    assert_eq!(
        fault(
            "[[line]]\npattern = 'x'\nignore = true\nskip_to = 'y'\n[[line]]\npattern = '(?<Ra>.+)'\n[reading]\nunit = \"um\"\n"
        ),
        "line.0.skip_to: only an ignored line of a block or file begins what is skipped"
    );
}

#[test]
fn pairs_are_quoted_and_name_their_unit() {
    let definition = "[pairs]\npair = \":\"\nbetween = \",\"\nquote = \"\\\"\"\nkey = '(?<quantity>\\w+)\\[(?<unit>\\S+)\\]'\n\
        [names]\nid = \"number\"\nwho = \"remark\"\nRT = \"Rt\"\n";
    says(
        definition,
        b"id:7,Ra[um]:0.410,who:\"a, \"\"b\"\": c\",RT[nm] : \"520\",x[um]:3\n",
        &["ok | Ra=0.410 µm {no:7 remark:a, \"b\": c x[um]:3}, Rt=520 nm {no:7 remark:a, \"b\": c x[um]:3}"],
    );
    says(definition, b"id:7,Ra[um]:0.410,who:\"a\n", &["damaged sanity"]);
    says(definition, b"id:7,Ra[um]:0.4\"10\"\n", &["damaged sanity"]);
    says(definition, b"id:7,Ra[furlong]:0.4\n", &["damaged unit"]);
    says(definition, b"id:7,Ra[um]:0.4,Ra[um]:0.5\n", &["damaged sanity"]);
    says(definition, b"id:7,Ra[um]:0.4,Ra[nm]:500\n", &["damaged sanity"]);
    let again = format!("{definition}[reading]\nquantity_again = true\n");
    says(&again, b"id:7,Ra[um]:0.4,Ra[um]:0.5\n", &["ok | Ra=0.4 µm {no:7}, Ra=0.5 µm {no:7}"]);
    says(&again, b"id:7,id:8,Ra[um]:0.4\n", &["damaged sanity"]);
}

#[test]
fn a_block_of_pairs_may_hold_several_records() {
    let definition = "[framing]\nkind = \"block\"\nstart_line = 'BEGIN (?<count>\\d)'\nend_line = 'END'\n[pairs]\npair = \"=\"\n\
        [[line]]\npattern = '\\[M(?<number>\\d+)\\]'\nstarts_record = true\n[names]\nLC = \"cutoff\"\n[reading]\nunit = \"um\"\n";
    says(
        definition,
        b"BEGIN 2\n[M1]\nRa=0.41\nLC=0.8mm\n[M2]\nRa=0.42\nRz = 2.9\nEND\n",
        &["ok | Ra=0.41 µm {no:1 cutoff:0.8 mm}, Ra=0.42 µm {no:2}, Rz=2.9 µm {no:2}"],
    );
    says(definition, b"BEGIN 1\n[M1]\nRa=0.41\nRa=0.42\nEND\n", &["damaged sanity"]);
    says(definition, b"BEGIN 2\n[M1]\nRa=0.41\nEND\n", &["damaged count"]);
}
