//! What a cell's engineer sets up: instruments, gauges, stations and sinks, written as a cell folder.

use std::fs;
use std::path::PathBuf;

use crate::cell::Cell;
use crate::pty::Line;

impl Cell {
    /// Adds an instrument definition; its name is the one inside.
    pub fn instrument(&self, file: &str, definition: &str) {
        self.write(&format!("instruments/{file}.toml"), definition);
    }

    /// Adds a gauge by its entry's text (without the heading).
    pub fn gauge(&mut self, entry: &str) {
        self.gauges.push_str(&format!("[[gauge]]\n{entry}\n\n"));
    }

    /// Adds a port station at `by-id/NAME` and plugs an instrument in there.
    pub fn port(&mut self, name: &str, instrument: &str, gauge: &str) -> Line {
        let link = self.path("by-id").join(name);
        self.stations.push_str(&format!(
            "[[station]]\nname = \"{name}\"\ninstrument = \"{instrument}\"\ngauge = \"{gauge}\"\n\
             port = {{ path = \"{}\", baud = 9600, data_bits = 8, parity = \"none\", stop_bits = 1, flow = \"none\" }}\n\n",
            link.display()
        ));
        Line::plugged_in(&link)
    }

    /// Adds a scanner at `by-id/NAME`, about `stations` (all where none is named), and plugs it in there.
    pub fn scanner(&mut self, name: &str, stations: &[&str]) -> Line {
        let link = self.path("by-id").join(name);
        self.scanner_at(name, stations, &format!("port = {{ path = \"{}\", baud = 9600 }}", link.display()));
        Line::plugged_in(&link)
    }

    /// Adds a scanner by the line that says where it listens.
    pub fn scanner_at(&mut self, name: &str, stations: &[&str], place: &str) {
        let about = if stations.is_empty() { String::new() } else { format!("stations = {stations:?}") };
        self.stations.push_str(&format!("[[station]]\nname = \"{name}\"\nscanner = {{ {about} }}\n{place}\n\n"));
    }

    /// Adds a station at a device server; `more` are further keys of its `tcp`, each behind a comma.
    pub fn tcp(&mut self, name: &str, instrument: &str, gauge: &str, address: std::net::SocketAddr, more: &str) {
        let (host, port) = (address.ip(), address.port());
        self.station(name, instrument, gauge, &format!("tcp = {{ host = \"{host}\", port = {port}{more} }}"));
    }

    /// Adds a station by the line that says where it listens.
    pub fn station(&mut self, name: &str, instrument: &str, gauge: &str, place: &str) {
        self.stations.push_str(&format!(
            "[[station]]\nname = \"{name}\"\ninstrument = \"{instrument}\"\ngauge = \"{gauge}\"\n{place}\n\n"
        ));
    }

    /// Adds a folder station at `exports/NAME` whose recorded files are moved away.
    pub fn folder(&mut self, name: &str, instrument: &str, gauge: &str, pattern: &str) -> PathBuf {
        let path = self.path("exports").join(name);
        fs::create_dir_all(&path).unwrap();
        self.stations.push_str(&format!(
            "[[station]]\nname = \"{name}\"\ninstrument = \"{instrument}\"\ngauge = \"{gauge}\"\n\
             folder = {{ path = \"{}\", pattern = \"{pattern}\", when_recorded = \"archive\" }}\n\n",
            path.display()
        ));
        path
    }

    /// Adds a sink of CSV files at `drops/NAME`.
    pub fn sink(&mut self, name: &str, per: &str) -> PathBuf {
        self.sink_of(name, &format!("per = \"{per}\""))
    }

    /// Adds a sink of CSV files at `drops/NAME` by the rest of what is said of it.
    pub fn sink_of(&mut self, name: &str, rest: &str) -> PathBuf {
        let path = self.path("drops").join(name);
        fs::create_dir_all(&path).unwrap();
        let folder = path.display();
        self.sinks.push_str(&format!("[[sink]]\nname = \"{name}\"\ncsv = {{ folder = \"{folder}\", {rest} }}\n\n"));
        path
    }

    /// Writes `cell.toml` and `gauges.toml` from what was added.
    pub fn configure(&self) {
        fs::create_dir_all(self.path("store")).unwrap();
        let head = format!(
            "[cell]\nname = \"rig\"\ntime_zone = \"UTC\"\n\n[store]\npath = \"{}\"\n\n",
            self.store_path().display()
        );
        self.write("cell.toml", &format!("{head}{}{}", self.stations, self.sinks));
        self.write("gauges.toml", &self.gauges);
    }
}
