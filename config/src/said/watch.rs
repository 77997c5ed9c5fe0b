//! What `[watch]` in `cell.toml` says.

use schemars::JsonSchema;
use serde::Deserialize;

/// What the daemon tells of itself, and from when on it warns.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Watch")]
pub(crate) struct WatchSaid {
    /// Metrics as Prometheus text, in a file or on the loopback interface; off where not written.
    pub(crate) metrics: Option<MetricsSaid>,
    /// A file rewritten every few seconds while the daemon is alive; off where not written.
    pub(crate) heartbeat: Option<HeartbeatSaid>,
    /// A summary of each day as a text file; off where not written.
    pub(crate) digest: Option<DigestSaid>,
    /// Rejected frames kept per port and local day; further ones are counted, not kept. 20000 where not written.
    #[schemars(range(min = 1, max = 1_000_000_000), extend("default" = crate::watch::Watch::REJECTS_PER_DAY))]
    pub(crate) rejects_per_day: Option<u64>,
    /// Less free room than so many MiB on the store's disk is told; 0 never tells. 1024 where not written.
    #[schemars(range(min = 0, max = 1_000_000_000), extend("default" = crate::watch::Watch::FREE_MIB_WARN))]
    pub(crate) free_mib_warn: Option<u64>,
    /// Reminds every so many minutes of parts that do not conform and have waited as long for somebody to say what becomes of
    /// them; never where not written.
    #[schemars(range(min = 1, max = 1440), extend("examples" = [30]))]
    pub(crate) remind_minutes: Option<u32>,
}

/// Metrics as Prometheus text: `file` or `listen`.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Metrics")]
pub(crate) struct MetricsSaid {
    /// The file, written anew every 15 s; or `listen`. A relative path is relative to the cell folder.
    #[schemars(length(min = 1), extend("examples" = ["/run/ridgepost/metrics.prom"]))]
    pub(crate) file: Option<String>,
    /// Loopback address and port to be asked at, path /metrics; or `file`.
    #[schemars(length(min = 1), extend("examples" = ["127.0.0.1:9617", "[::1]:9617"]))]
    pub(crate) listen: Option<String>,
}

/// A file rewritten every few seconds while the daemon is alive.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Heartbeat")]
pub(crate) struct HeartbeatSaid {
    /// The file; a relative path is relative to the cell folder.
    #[schemars(required, length(min = 1))]
    pub(crate) file: Option<String>,
    /// Seconds between two signs of life; 30 where not written.
    #[schemars(range(min = 1, max = 3600), extend("default" = crate::watch::Watch::HEARTBEAT_EVERY_S))]
    pub(crate) every_s: Option<u32>,
}

/// A summary of each day as a text file, `digest-YYYY-MM-DD.txt`.
#[derive(Clone, Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
#[schemars(rename = "Digest")]
pub(crate) struct DigestSaid {
    /// The folder, which must exist; a relative path is relative to the cell folder.
    #[schemars(required, length(min = 1))]
    pub(crate) folder: Option<String>,
    /// When a day's digest is written, on the day after, in the cell's zone; "06:00" where not written.
    #[schemars(extend("default" = "06:00", "pattern" = "^([01][0-9]|2[0-3]):[0-5][0-9]$"))]
    pub(crate) at: Option<String>,
}
