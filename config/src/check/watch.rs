//! How the daemon is watched: only on this PC's own loopback interface, and never over a file that is somebody else's.

use std::net::SocketAddr;
use std::path::{Path as FilePath, PathBuf};

use jiff::civil::Time;

use super::resolve;
use crate::diagnostic::Code;
use crate::document::Path;
use crate::said::{CellFile, DigestSaid, HeartbeatSaid, MetricsSaid};
use crate::sheet::Sheet;
use crate::watch::{Digest, Heartbeat, Metrics, Watch};

/// Everything faultless of `[watch]`, defaults for the rest.
pub(crate) fn check(sheet: &mut Sheet, said: &CellFile, cell_dir: &FilePath) -> Watch {
    let around = Around { said, cell_dir };
    let Some(watch) = &said.watch else { return Watch::default() };
    let top = Path::top().key("watch");
    let metrics = watch.metrics.as_ref().and_then(|metrics| around.metrics(sheet, &top.key("metrics"), metrics));
    let heartbeat = watch.heartbeat.as_ref().and_then(|said| around.heartbeat(sheet, &top.key("heartbeat"), said));
    let digest = watch.digest.as_ref().and_then(|said| around.digest(sheet, &top.key("digest"), said));
    if let (Some(Metrics::File(one)), Some(Heartbeat { file: other, .. })) = (&metrics, &heartbeat)
        && one == other
    {
        let message = format!("{} is the file that metrics are written to", other.display());
        sheet.fault(
            &top.key("heartbeat").key("file"),
            Code::AmbiguousPort,
            message,
            "give metrics and heartbeat a file each",
        );
        sheet.blame(&top.key("metrics"));
    }
    Watch {
        metrics: metrics.filter(|_| !sheet.is_faulty(&top.key("metrics"))),
        heartbeat: heartbeat.filter(|_| !sheet.is_faulty(&top.key("heartbeat"))),
        digest: digest.filter(|_| !sheet.is_faulty(&top.key("digest"))),
        rejects_per_day: watch.rejects_per_day.unwrap_or(Watch::REJECTS_PER_DAY),
        free_mib_warn: watch.free_mib_warn.unwrap_or(Watch::FREE_MIB_WARN),
        remind_minutes: watch.remind_minutes.filter(|_| !sheet.is_faulty(&top.key("remind_minutes"))),
    }
}

/// What else the cell says, for files that must not meet.
struct Around<'a> {
    said: &'a CellFile,
    cell_dir: &'a FilePath,
}

impl Around<'_> {
    fn metrics(&self, sheet: &mut Sheet, path: &Path, said: &MetricsSaid) -> Option<Metrics> {
        match (&said.file, &said.listen) {
            (Some(_), Some(_)) => {
                let message = "metrics go into a file or are asked for, not both".to_owned();
                sheet.fault(&path.key("listen"), Code::Contradiction, message, "leave out `file` or `listen`");
                None
            }
            (Some(file), None) => self.file(sheet, &path.key("file"), file).map(Metrics::File),
            (None, Some(text)) => listen(sheet, &path.key("listen"), text).map(Metrics::Listen),
            (None, None) => {
                if !sheet.is_told_below(path) {
                    let help = "add file = \"/run/ridgepost/metrics.prom\" or listen = \"127.0.0.1:9617\"";
                    let message = "`metrics` does not say where they are to be had".to_owned();
                    sheet.fault(path, Code::MissingKey, message, help);
                }
                None
            }
        }
    }

    fn heartbeat(&self, sheet: &mut Sheet, path: &Path, said: &HeartbeatSaid) -> Option<Heartbeat> {
        let file = said.file.as_ref().and_then(|file| self.file(sheet, &path.key("file"), file))?;
        Some(Heartbeat { file, every_s: said.every_s.unwrap_or(Watch::HEARTBEAT_EVERY_S) })
    }

    fn digest(&self, sheet: &mut Sheet, path: &Path, said: &DigestSaid) -> Option<Digest> {
        let at = match &said.at {
            None => Some(Watch::DIGEST_AT),
            Some(text) => time(sheet, &path.key("at"), text),
        };
        let folder = resolve(self.cell_dir, said.folder.as_ref()?);
        self.unread(sheet, &path.key("folder"), &folder, "digest-2026-11-25.txt");
        Some(Digest { folder, at: at? })
    }

    /// A file that is written over again and again: it must be nobody else's.
    fn file(&self, sheet: &mut Sheet, path: &Path, said: &str) -> Option<PathBuf> {
        let file = resolve(self.cell_dir, said);
        let Some(name) = file.file_name().map(|name| name.to_string_lossy().into_owned()) else {
            let message = format!("`{}` is no file", said);
            sheet.fault(path, Code::WrongValue, message, "write a folder and a name");
            return None;
        };
        let store = self.said.store.as_ref().and_then(|store| store.path.as_ref());
        let store = store.map(|path| resolve(self.cell_dir, path).display().to_string());
        let is_store = store.is_some_and(|store| file.display().to_string().starts_with(&store));
        let is_configuration =
            file.starts_with(self.cell_dir) && file.extension().is_some_and(|extension| extension == "toml");
        if said.ends_with('/') || is_store || is_configuration {
            let whose = match (is_store, is_configuration) {
                (true, _) => "a file of the store",
                (_, true) => "a file of the configuration",
                _ => "a folder",
            };
            let help = "the file is written over again and again: give it a name of its own";
            sheet.fault(path, Code::AmbiguousPort, format!("{} is {whose}", file.display()), help);
            return None;
        }
        self.unread(sheet, path, file.parent()?, &name);
        Some(file)
    }

    /// What is written must not come back as an instrument's export.
    fn unread(&self, sheet: &mut Sheet, path: &Path, folder: &FilePath, name: &str) {
        for station in &self.said.station {
            let Some(read) = &station.folder else { continue };
            let same = read.path.as_ref().is_some_and(|path| resolve(self.cell_dir, path) == folder);
            if same && crate::matches(read.pattern.as_deref().unwrap_or("*"), name) {
                let station = station.name.as_deref().unwrap_or("?");
                let message = format!("station `{station}` would read {name} in {} as an export", folder.display());
                sheet.fault(path, Code::AmbiguousPort, message, "write it into another folder");
            }
        }
    }
}

/// An address of this PC itself: what is told there is for this PC's own programs, and nobody is asked who they are.
fn listen(sheet: &mut Sheet, path: &Path, text: &str) -> Option<SocketAddr> {
    let refuse = |sheet: &mut Sheet, message: String| {
        let help = "write 127.0.0.1 or [::1] and a port, as in \"127.0.0.1:9617\"";
        sheet.fault(path, Code::WrongValue, message, help);
        None
    };
    match text.parse::<SocketAddr>() {
        Err(_) => refuse(sheet, format!("`{}` is no address with a port", text)),
        Ok(address) if !address.ip().is_loopback() => {
            refuse(sheet, format!("{address} can be reached from outside of this PC; metrics are only told inside"))
        }
        Ok(address) if address.port() == 0 => refuse(sheet, format!("`{text}` names no port")),
        Ok(address) => Some(address),
    }
}

/// A time of day as hours and minutes.
pub(super) fn time(sheet: &mut Sheet, path: &Path, text: &str) -> Option<Time> {
    let number = |range: std::ops::Range<usize>| {
        let part = text.get(range).filter(|part| part.bytes().all(|byte| byte.is_ascii_digit()))?;
        part.parse::<i8>().ok()
    };
    let time = (text.len() == 5 && text.get(2..3) == Some(":"))
        .then(|| Time::new(number(0..2)?, number(3..5)?, 0, 0).ok())
        .flatten();
    if time.is_none() {
        let message = format!("`{}` is no time of day", text);
        sheet.fault(path, Code::WrongValue, message, "write hours and minutes, as in \"06:00\"");
    }
    time
}
