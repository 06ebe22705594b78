//! One file a command.

pub(crate) mod compare;
pub(crate) mod config;
pub(crate) mod demo;
pub(crate) mod edition;
pub(crate) mod explain;
pub(crate) mod export;
pub(crate) mod fetch;
pub(crate) mod import;
pub(crate) mod jurisdiction;
pub(crate) mod key;
pub(crate) mod layouts;
pub(crate) mod look;
pub(crate) mod measure;
pub(crate) mod mend;
pub(crate) mod originals;
pub(crate) mod packet;
pub(crate) mod policy;
pub(crate) mod queue;
pub(crate) mod reconcile;
pub(crate) mod report;
pub(crate) mod schedule;
pub(crate) mod schema;
pub(crate) mod serve;
pub(crate) mod set;
pub(crate) mod standards;
pub(crate) mod verify;
