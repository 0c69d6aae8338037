//! Acinus turns photographs of sampled wine grapes on a tray into figures that a grower and a
//! winery can both sign.
//!
//! Data goes one way: photo → marks → colour → segment → measure → classify → load figures →
//! report. Each stage is a module of that name, from plain data to plain data; only [`pipeline`]
//! knows their order.

pub mod classify;
pub mod colour;
pub mod frame;
pub mod load;
pub mod marks;
pub mod measure;
pub mod photo;
pub mod pipeline;
pub mod plan;
pub mod segment;
pub mod stats;
pub mod terms;
