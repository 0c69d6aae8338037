//! Acinus turns photographs of sampled wine grapes on a tray into figures that a grower and a
//! winery can both sign.
//!
//! Data goes one way: photo → marks → colour → segment → measure → classify → load figures →
//! report. Each stage is a module of that name, from plain data to plain data; only [`pipeline`]
//! knows their order.

pub mod check;
pub mod classify;
pub mod colour;
pub mod disk;
pub mod dossier;
mod elementary;
pub mod finding;
pub mod frame;
pub mod further;
pub mod given;
pub mod guard;
pub mod intake;
pub mod ledger;
pub mod load;
pub mod marks;
pub mod measure;
pub mod network;
pub mod parties;
pub mod photo;
pub mod pipeline;
pub mod plan;
pub mod print;
pub mod profile;
pub mod receipt;
pub mod refit;
pub mod report;
pub mod retouch;
pub mod score;
pub mod season;
pub mod segment;
pub mod sheet;
pub mod sorter;
pub mod stats;
pub mod streams;
pub mod teach;
pub mod terms;
pub mod workbench;
