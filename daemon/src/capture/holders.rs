//! Who has a device open, as far as this user may see.

use std::fs;
use std::path::Path;

/// Programs that have a device open, by name and process number; other users' programs only for root. Links are
/// followed; this program itself is not listed.
pub fn holders(device: &Path) -> Vec<String> {
    let device = fs::canonicalize(device).unwrap_or_else(|_| device.to_owned());
    let own = std::process::id().to_string();
    let mut holders = Vec::new();
    for process in fs::read_dir("/proc").into_iter().flatten().flatten() {
        if process.file_name().to_str() == Some(&own) {
            continue;
        }
        let open = fs::read_dir(process.path().join("fd")).into_iter().flatten().flatten();
        if open.filter_map(|fd| fs::read_link(fd.path()).ok()).any(|target| target == device) {
            let name = fs::read_to_string(process.path().join("comm")).unwrap_or_default();
            holders.push(format!("{} (process {})", name.trim(), process.file_name().to_string_lossy()));
        }
    }
    holders
}
