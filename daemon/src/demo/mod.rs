//! demo
use crate::command::out::Out;
use crate::exit::Exit;
#[derive(Debug, clap::Args)]
#[allow(missing_docs)]
pub struct DemoArgs {}
pub(crate) fn demo(_: &DemoArgs, _: &mut Out) -> Exit {
    Exit::Done
}
