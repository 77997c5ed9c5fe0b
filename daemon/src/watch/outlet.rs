//! Writes a file over and over, whole each time, without holding up whoever listens to ports.

use std::path::{Path, PathBuf};

use crate::deliver::Undelivered;
use crate::deliver::drop::replace;
use crate::deliver::porter::{Porter, may_hang};

/// One file that is written anew again and again.
pub(super) struct Outlet {
    file: PathBuf,
    /// Who carries it to a share; away while something is under way.
    porter: Option<Porter>,
}

fn porter(file: &Path) -> Porter {
    Porter::new(&format!("writing {}", file.display()))
}

impl Outlet {
    /// Nothing is written yet.
    pub(super) fn new(file: &Path) -> Self {
        Outlet { file: file.to_owned(), porter: Some(porter(file)) }
    }

    /// Writes it anew, whole; the error is why it is not. `durable` waits for the disk.
    pub(super) async fn write(&mut self, bytes: Vec<u8>, durable: bool) -> Result<(), String> {
        let file = self.file.clone();
        let mut porter = self.porter.take().unwrap_or_else(|| porter(&file));
        let done = beside(move || {
            let (Some(folder), Some(name)) = (file.parent(), file.file_name().and_then(|name| name.to_str())) else {
                return (porter, Err(Undelivered::Never("it has no name".to_owned())));
            };
            let result = match may_hang(folder) {
                true => porter.replace(folder, name, &bytes),
                false => replace(folder, name, &bytes, durable),
            };
            (porter, result)
        })
        .await;
        let Some((porter, result)) = done else { return Err(format!("{} broke off", self.file.display())) };
        self.porter = Some(porter);
        result.map_err(|fault| match fault {
            Undelivered::Later(why) | Undelivered::Never(why) => format!("not written: {why}"),
        })
    }
}

/// Does what may block beside whoever listens to ports; `None` where it broke off.
pub(super) async fn beside<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Option<T> {
    tokio::task::spawn_blocking(work).await.ok()
}
