//! What a plan means where it says nothing: the lines that `ridgepost check` prints, so that a person reads the
//! defaults before parts are judged by them.

mod register;

use ridgepost_parsers::Layout;

use crate::diagnostic::plain;
use crate::labels::{Item, Labels};
use crate::plan::{
    Amount, Characteristic, CsvSink, DecisionRule, Flow, Folder, FromTrace, Gate, GaugeBinding, GuardWidth, Job,
    Master, Parity, Per, Plan, ReadAfter, Rule, Sampling, Settings, SinkKind, Source, Station, Stream, Unwritten, Usb,
    WhenRecorded,
};
use crate::watch::Metrics;

/// One line per station, sink, job and characteristic.
pub fn explain(plan: &Plan) -> Vec<String> {
    let mut lines: Vec<String> = plan.stations.iter().map(station).collect();
    for gauge in plan.gauges.values() {
        lines.push(format!("gauge {}: {}{}", gauge.id, gauge.kind, register::gauge_words(gauge)));
        lines.extend(register::verification(plan, gauge));
    }
    lines.extend(plan.specimens.values().map(register::specimen));
    for operator in plan.operators.iter().flatten() {
        let may: Vec<&str> = operator.may.iter().map(|what| what.word()).collect();
        lines.push(format!(
            "operator {}: may {}",
            operator.name,
            if may.is_empty() { "nothing".to_owned() } else { may.join(", ") }
        ));
    }
    lines.extend(plan.orders.iter().map(|orders| {
        let marker = orders.marker.as_ref().map(|marker| format!(", only while {marker} is there")).unwrap_or_default();
        format!(
            "job files of other systems from {}, once they stood still for {} ms{marker}; a faulty one is refused and told",
            orders.path.display(),
            orders.settle_ms
        )
    }));
    for sink in &plan.sinks {
        let SinkKind::Csv(csv) = &sink.kind;
        lines.push(format!("sink {}: {}", sink.name, csv_words(csv)));
    }
    lines.push(watch_line(&plan.watch));
    lines.extend(plan.labels.iter().map(|labels| labels_line(labels)));
    for job in plan.jobs.values() {
        lines.push(job_line(job));
        lines.extend(job.characteristics.iter().map(|characteristic| characteristic_line(job, characteristic)));
    }
    lines.iter().map(|line| plain(line)).collect()
}

fn usb_words(usb: &Usb) -> String {
    let endpoint = |address: Option<u8>| address.map_or("the only one".to_owned(), |address| format!("{address:#04x}"));
    let which = match (&usb.serial, &usb.at) {
        (None, None) => ", the only device of this id",
        _ => "",
    };
    let requests = match usb.control.len() {
        0 => String::new(),
        count => format!(", {count} control requests at opening"),
    };
    format!("{}{which}, endpoints in {}, out {}{requests}", usb.place(), endpoint(usb.input), endpoint(usb.output))
}

fn folder_words(folder: &Folder) -> String {
    let then = match folder.when_recorded {
        WhenRecorded::Archive => "moved to recorded/ once recorded",
        WhenRecorded::Leave => "left in place",
        WhenRecorded::Delete => "deleted once recorded",
    };
    let inside = if folder.subfolders { " and the folders inside" } else { "" };
    let marker = folder.marker.as_ref().map(|marker| format!(", only while {marker} is there")).unwrap_or_default();
    let says = folder.says.as_ref().map(|way| format!(", ways say {}", way.text())).unwrap_or_default();
    let marker = says + &marker;
    let (path, pattern, still) = (folder.path.display(), &folder.pattern, folder.settle_ms);
    if folder.grows {
        return format!("{path}{inside}, names {pattern}, rows taken as they are added{marker}");
    }
    format!("{path}{inside}, names {pattern}, still for {still} ms, {then}{marker}")
}

fn station(station: &Station) -> String {
    let gauge = match &station.gauge {
        GaugeBinding::One(id) => format!("gauge {id}"),
        GaugeBinding::ByChannel(ids) => {
            let ids: Vec<_> = ids.iter().map(|(channel, id)| format!("{channel}: {id}")).collect();
            format!("gauges by channel {}", ids.join(", "))
        }
        GaugeBinding::None => match &station.scanner {
            Some(scanner) if !scanner.stations.is_empty() => format!("labels about {}", scanner.stations.join(", ")),
            _ => "labels about every station".to_owned(),
        },
    };
    let source = match &station.source {
        Source::Stream(Stream::Port(port)) => {
            let parity = match port.parity {
                Parity::None => 'N',
                Parity::Even => 'E',
                Parity::Odd => 'O',
            };
            let flow = match port.flow {
                Flow::None => "no flow control",
                Flow::Software => "XON/XOFF",
                Flow::Hardware => "RTS/CTS",
            };
            format!("{}, {} baud {}{parity}{}, {flow}", port.place(), port.baud, port.data_bits, port.stop_bits)
        }
        Source::Stream(Stream::Tcp(tcp)) => format!(
            "TCP {}, connects within {} ms, asks a silent peer after {} s",
            tcp.place(),
            tcp.connect_ms,
            tcp.keep_alive_s
        ),
        Source::Stream(stream @ Stream::Device(device)) => {
            let when = match device.read_after {
                ReadAfter::Query => "messages with a question mark",
                ReadAfter::Any => "each message",
            };
            format!(
                "{}; where it is a USBTMC device, read after {when}, answers within {} ms",
                stream.place(),
                device.timeout_ms
            )
        }
        Source::Stream(Stream::Usb(usb)) => usb_words(usb),
        Source::Stream(Stream::Keyboard(keyboard)) => {
            let decimal = Layout::new(keyboard.layout, keyboard.keypad_decimal).keypad_decimal;
            format!(
                "keys of {} for this station alone, layout {}, `{decimal}` from the keypad's decimal key",
                keyboard.path.display(),
                keyboard.layout
            )
        }
        Source::Folder(folder) => folder_words(folder),
    };
    let check = match station.scanner.is_some() || station.instrument.is_protected() {
        true => "",
        false => "; no checksum: every reading is marked unprotected",
    };
    let talk = station.instrument.definition().dialogue.as_ref().map(talk_words).unwrap_or_default();
    format!("station {}: {} as `{}`, {source}{talk}{check}", station.name, gauge, station.instrument.name())
}

fn talk_words(dialogue: &ridgepost_parsers::DialogueRule) -> String {
    let mut words = match dialogue.poll.as_ref().map(|poll| poll.every_ms) {
        Some(Some(every_ms)) => format!(", asked every {every_ms} ms"),
        Some(None) => ", asked by `ridgepost ask` only".to_owned(),
        None => String::new(),
    };
    if !dialogue.start.is_empty() {
        words.push_str(", with a start-up");
    }
    if dialogue.acknowledge.is_some() {
        words.push_str(", acknowledged once stored");
    }
    words
}

fn csv_words(csv: &CsvSink) -> String {
    let per = match csv.per {
        Per::Reading => "one file per reading".to_owned(),
        Per::Piece => "one file per piece".to_owned(),
        Per::Job => "one file per job".to_owned(),
        Per::Minutes(minutes) => format!("one file per {minutes} min"),
    };
    let separator = if csv.separator == '\t' { "tab".to_owned() } else { format!("`{}`", csv.separator) };
    format!(
        "CSV into {}, {per}, at most {} rows in one, name {}, {} columns of kinds {}, separator {separator}, decimal mark `{}`, {}{}{}",
        csv.folder.display(),
        csv.rows_max,
        csv.name,
        csv.columns.len(),
        csv.kinds.join(" "),
        csv.decimal,
        csv.encoding,
        if csv.ok_file { ", with NAME.ok" } else { "" },
        csv.marker.as_ref().map(|marker| format!(", only while {marker} is there")).unwrap_or_default(),
    )
}

fn labels_line(labels: &Labels) -> String {
    let keep = |item: Item| {
        let keep = labels.keep(item);
        let ends = [
            keep.ms.map(|ms| format!("{} min", ms / 60_000)),
            keep.readings.map(|count| format!("{count} readings")),
            keep.piece.then(|| "the end of the piece".to_owned()),
        ];
        let ends: Vec<String> = ends.into_iter().flatten().collect();
        let until = if ends.is_empty() { "another label".to_owned() } else { ends.join(" or ") };
        format!("{} until {until}", item.word())
    };
    let need: Vec<&str> = labels.need.iter().map(|item| item.word()).collect();
    format!(
        "labels: {} rules, {} needed; kept are {}",
        labels.rules.len(),
        if need.is_empty() { "nothing".to_owned() } else { need.join(" and ") },
        Item::ALL.map(keep).join(", ")
    )
}

fn watch_line(watch: &crate::watch::Watch) -> String {
    let metrics = match &watch.metrics {
        None => "no metrics".to_owned(),
        Some(Metrics::File(file)) => format!("metrics into {}", file.display()),
        Some(Metrics::Listen(address)) => format!("metrics at http://{address}/metrics"),
    };
    let heartbeat = match &watch.heartbeat {
        None => "no heartbeat".to_owned(),
        Some(heartbeat) => format!("a heartbeat into {} every {} s", heartbeat.file.display(), heartbeat.every_s),
    };
    let digest = match &watch.digest {
        None => "no digest".to_owned(),
        Some(digest) => {
            let at = digest.at.strftime("%H:%M");
            format!("a digest of each day into {} at {at} of the next one", digest.folder.display())
        }
    };
    let room = match watch.free_mib_warn {
        0 => "low space is not told".to_owned(),
        mib => format!("less than {mib} MiB free is told"),
    };
    let remind = match watch.remind_minutes {
        None => String::new(),
        Some(minutes) => format!(", reminds of bad parts every {minutes} min until they are disposed of"),
    };
    let rejects = watch.rejects_per_day;
    format!("watch: {metrics}, {heartbeat}, {digest}, {rejects} rejects kept per port and day, {room}{remind}")
}

fn job_line(job: &Job) -> String {
    let gate = match job.gate {
        Gate::Hold => "readings of an unverified gauge are not judged",
        Gate::Warn => "readings of an unverified gauge are judged and marked",
        Gate::Block => "readings of an unverified gauge are refused as results",
    };
    let unknown = if job.accept_unknown_conditions {
        "texture of unknown conditions is judged"
    } else {
        "texture of unknown conditions is not judged"
    };
    let edition = if job.edition.is_empty() { "no edition".to_owned() } else { job.edition.clone() };
    format!(
        "job {}: part {} revision {}, operation {}, {edition}; {gate}; {unknown}",
        job.id, job.part_number, job.revision, job.operation
    )
}

fn characteristic_line(job: &Job, characteristic: &Characteristic) -> String {
    let unit = characteristic.unit;
    let limits = match (characteristic.lower, characteristic.upper) {
        (Some(lower), Some(upper)) => format!("from {lower} {unit} to {upper} {unit}"),
        (Some(lower), None) => format!("at least {lower} {unit}"),
        (None, Some(upper)) => format!("at most {upper} {unit}"),
        (None, None) => "no limit".to_owned(),
    };
    let traces = match characteristic.traces {
        1 => String::new(),
        traces => format!(", {traces} values"),
    };
    let conditions = match settings_words(&characteristic.conditions) {
        written if characteristic.unwritten != Unwritten::Nothing => {
            let written = written.map(|settings| format!(", conditions required: {settings}")).unwrap_or_default();
            format!("{written}, {}", unwritten_words(job, characteristic.unwritten))
        }
        Some(settings) => format!(", conditions required: {settings}"),
        None if characteristic.quantity.is_texture() => ", no conditions required (none written)".to_owned(),
        None => String::new(),
    };
    let band = characteristic
        .plausible
        .map(|(min, max)| format!(", plausible from {min} {unit} to {max} {unit}"))
        .unwrap_or_default();
    let station = characteristic.station.as_ref().map(|name| format!(", only from station {name}")).unwrap_or_default();
    let callout = characteristic.callout.as_ref().map(|callout| format!(", as {callout}")).unwrap_or_default();
    format!(
        "job {}, balloon {}: {} {limits}{callout}, rule {}{traces}{}{}{conditions}{band}{station}{}",
        job.id,
        characteristic.balloon,
        characteristic.quantity,
        rule_words(job, characteristic),
        decision_words(characteristic),
        characteristic.sampling.map(sampling_words).unwrap_or_default() + &trace_words(characteristic),
        characteristic.master.as_ref().map(|master| format!(", {}", master_words(master))).unwrap_or_default(),
    )
}

/// That it is computed from a profile.
fn trace_words(characteristic: &Characteristic) -> String {
    let words = |trace: FromTrace| {
        format!(", computed from the profile (the instrument's own figure within {} % of it)", trace.agree_percent)
    };
    characteristic.trace.map(words).unwrap_or_default()
}

/// On which pieces it is due.
fn sampling_words(sampling: Sampling) -> String {
    let mut words = Vec::new();
    match sampling.first {
        0 => {}
        1 => words.push("the first piece".to_owned()),
        first => words.push(format!("the first {first} pieces")),
    }
    words.extend(sampling.every.map(|every| format!("every {every} pieces")));
    words.extend(sampling.minutes.map(|minutes| format!("every {minutes} minutes")));
    if sampling.tightened > 0 {
        words.push(format!("each one after one that did not conform, until {} in a row do", sampling.tightened));
    }
    words.extend(sampling.last.then(|| "the last piece".to_owned()));
    format!(", due on {}", if words.is_empty() { "no piece".to_owned() } else { words.join(", ") })
}

/// What is made of a deviation.
fn master_words(master: &Master) -> String {
    let words = |amount: Amount| format!("{} {}", amount.number, amount.unit);
    let own = master.deviation.map(|own| format!(" with its own deviation of {}", words(own))).unwrap_or_default();
    let from = master.deviation_from.map(|from| format!(", less {}", words(from))).unwrap_or_default();
    let sign = if master.larger { "plus" } else { "minus" };
    format!("deviations: master {} of {}{own}, {sign} what is indicated{from}", master.id, words(master.nominal))
}

/// What the edition makes of a cutoff that is not written.
fn unwritten_words(job: &Job, unwritten: Unwritten) -> String {
    match unwritten {
        Unwritten::Nothing => String::new(),
        Unwritten::OfMeasured(_) => format!("cutoff by {} for the measured value (not written)", job.edition),
        Unwritten::OfLimit(setting) => {
            let class = setting.class.map(|class| format!("class {class}, ")).unwrap_or_default();
            format!(
                "conditions by {} for this limit (not written): {class}{} mm x {}, λs {} µm",
                job.edition, setting.cutoff_mm, setting.sections, setting.lambda_s_um
            )
        }
    }
}

/// The rule, and where it comes from if the job doesn't write it.
fn rule_words(job: &Job, characteristic: &Characteristic) -> String {
    let word = characteristic.rule.word();
    if characteristic.is_rule_written {
        return word.to_owned();
    }
    let texture = characteristic.quantity.is_texture();
    match (characteristic.rule, texture) {
        (Rule::Sixteen, _) => format!("{word} (not written: {} means that at most 16 % may pass)", job.edition),
        (_, true) => format!("{word} (not written: under {} no value may pass the limit)", job.edition),
        (_, false) => format!("{word} (not written: no value may pass the limit)"),
    }
}

/// By which rules values are accepted: `max of 3 values, ISO 14253-1 with a guard band of U`.
pub fn rules_in_words(characteristic: &Characteristic) -> String {
    let values = match (characteristic.rule, characteristic.traces) {
        (Rule::Sixteen, 1) => String::new(),
        (Rule::Sixteen, traces) => format!(" of at least {traces} values"),
        (_, 1) => " of one value".to_owned(),
        (_, traces) => format!(" of {traces} values"),
    };
    format!("{}{values}{}", characteristic.rule.word(), decision_words(characteristic))
}

/// How the uncertainty counts, where it does.
fn decision_words(characteristic: &Characteristic) -> String {
    let guard = match characteristic.guard {
        GuardWidth::Expanded => "U",
        GuardWidth::OneSided => "1.65 u",
    };
    match characteristic.decision {
        DecisionRule::Simple => String::new(),
        decision => format!(", {} with a guard band of {guard}", decision.word()),
    }
}

/// Settings as a list of words, where there are any.
fn settings_words(settings: &Settings) -> Option<String> {
    let amount = |name: &str, amount: Option<Amount>| amount.map(|it| format!("{name} {} {}", it.number, it.unit));
    let text = |name: &str, text: &Option<String>| text.as_ref().map(|it| format!("{name} {it}"));
    let words: Vec<String> = [
        amount("cutoff", settings.cutoff),
        amount("λs", settings.lambda_s),
        settings.sections.map(|count| format!("sections {count}")),
        text("filter", &settings.filter),
        text("standard", &settings.standard),
        text("program", &settings.program),
    ]
    .into_iter()
    .flatten()
    .collect();
    (!words.is_empty()).then(|| words.join(", "))
}
