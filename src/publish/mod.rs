//! Deliveries to a message broker ([`mqtt`]) and a time-series store ([`series`]).
//!
//! Both are optional, and both only read: the durable lane comes from an [`Outbox`], which follows
//! the store's commits through one cursor per destination and keeps no copies. Delivery is at least
//! once and in order per series; an item is idempotent by its sequence number and time. The cursor
//! moves only when the other side has said that it has everything up to there, so an outage of a
//! week costs nothing but lag. Nothing here ever holds back the polling.

pub mod encode;
pub mod health;
pub mod line;
pub mod mqtt;
pub mod outbox;
pub mod series;
pub mod settings;

pub use health::{LinkHealth, LinkReport};
pub use mqtt::{Topics, deliver_mqtt};
pub use outbox::{
    AlarmMessage, Batch, ChannelFigure, Delivered, Item, MassOf, Outbox, OutboxError,
};
pub use series::deliver_series;
pub use settings::{MqttSettings, SeriesSettings, SettingsError};
