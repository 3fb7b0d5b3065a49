//! What happened: happenings and ledger entries on one line of time; and the room left for gas.

use serde::Serialize;

use super::Scene;
use super::losses::UNCERTAINTY;
use crate::console::words::{Figure, Moment};
use crate::engine::{Happening, HappeningKind, RoomLeft};
use crate::plant::{Id, Plant};
use crate::quantity::QuantityKind;

/// Happenings and ledger entries.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TimelineFacts {
    /// What every ± on it means.
    pub uncertainty: &'static str,
    /// As of.
    pub at: Moment,
    /// Newest first.
    pub entries: Vec<TimelineEntry>,
}

/// One line of it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TimelineEntry {
    /// When it began.
    pub from: Moment,
    /// When it was over; for a ledger entry, when the helium had crossed.
    pub to: Moment,
    /// Recognised from the readings, or entered by a person.
    pub source: TimelineSource,
    /// What it was, in a word.
    pub kind: String,
    /// Vessels that gave helium.
    pub gave: Vec<PartFact>,
    /// Vessels that took helium.
    pub took: Vec<PartFact>,
    /// Of a happening, the change of the plant's helium beside the books; of an entry, its mass.
    pub mass: Figure,
    /// The ledger entry: the one that explains a happening, or the entry itself.
    pub entry: Option<String>,
    /// What a person should do about it; empty when nothing.
    pub to_do: String,
    /// What a person wrote.
    pub note: String,
}

/// Where a line comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum TimelineSource {
    /// Recognised from the readings.
    Readings,
    /// Entered in the ledger.
    Ledger,
}

impl TimelineSource {
    /// In words.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Readings => "seen in the readings",
            Self::Ledger => "ledger",
        }
    }
}

/// A vessel's part.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PartFact {
    /// Text id.
    pub id: String,
    /// Name as people say it.
    pub name: String,
    /// How much.
    pub mass: Figure,
}

/// Room for gas if the compressors stop now.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RoomFact {
    /// Time until gas must be vented, h, with its standard uncertainty left out.
    pub hours: Option<f64>,
    /// Its 95 % band, h.
    pub hours_band: Option<(f64, f64)>,
    /// In one sentence.
    pub statement: String,
    /// Room that gas reaches without a compressor.
    pub free: Figure,
    /// By vessel.
    pub stores: Vec<PartFact>,
    /// Room that only a running compressor could fill.
    pub by_compressor: Vec<PartFact>,
    /// What boils off.
    pub boil_off: Figure,
    /// Where that is known from, in words.
    pub boil_off_from: Vec<String>,
    /// What the person can do.
    pub can_do: &'static [&'static str],
    /// The hazards to people.
    pub cautions: &'static [&'static str],
    /// The site's own rules.
    pub local_rules: String,
}

const CAN_DO: &[&str] = &[
    "Start a compressor again, or have the recovery compressor empty the bag: tanks and cylinders can then be filled.",
    "Take the heat away: ramp the magnets down, switch heaters off, stop filling and transfers, so that less boils off.",
    "Close what leads warm gas into the bag and is not needed.",
    "If gas must go, let it out where the site's rules say so, outdoors, before a relief valve does it, and book it as a vent.",
];

const CAUTIONS: &[&str] = &[
    "Helium that is vented displaces air: a person faints without any warning. Keep people away from vents and out of rooms that gas can reach, and carry an oxygen monitor.",
    "Never shut a bath or a pipe with cold helium in it without a relief valve: trapped liquid bursts it as it warms.",
    "Only people move valves, and only by the site's own rules.",
];

/// Happenings and ledger entries of a picture.
#[must_use]
pub fn timeline_facts(scene: Scene<'_>) -> TimelineFacts {
    let happenings = scene
        .view
        .happenings
        .iter()
        .map(|happening| of_happening(scene, happening));
    let entries = scene
        .view
        .ledger
        .iter()
        .filter(|entry| entry.superseded_by.is_none())
        .map(|entry| TimelineEntry {
            from: scene.time.minute(Some(entry.effective_at)),
            to: scene.time.minute(Some(entry.effective_at + entry.over)),
            source: TimelineSource::Ledger,
            kind: entry.kind.clone(),
            gave: Vec::new(),
            took: Vec::new(),
            mass: Figure::kg(Some(entry.mass_kg), Some(entry.std_kg)),
            entry: Some(entry.id.to_string()),
            to_do: String::new(),
            note: entry.note.clone(),
        });
    let mut all: Vec<TimelineEntry> = happenings.chain(entries).collect();
    all.sort_by_key(|entry| std::cmp::Reverse((entry.from.ms, entry.to.ms)));
    TimelineFacts {
        uncertainty: UNCERTAINTY,
        at: scene.time.moment(scene.view.at),
        entries: all,
    }
}

fn of_happening(scene: Scene<'_>, happening: &Happening) -> TimelineEntry {
    let side = |list: &[(Id, f64)]| -> Vec<PartFact> {
        let part = |(id, kg): &(Id, f64)| part(scene.plant, id, *kg);
        list.iter().map(part).collect()
    };
    let known = happening.net_std_kg.is_finite();
    TimelineEntry {
        from: scene.time.minute(happening.from),
        to: scene.time.minute(happening.to),
        source: TimelineSource::Readings,
        kind: happening.kind.words().into(),
        gave: side(&happening.gave),
        took: side(&happening.took),
        mass: Figure::kg(
            Some(happening.net_kg).filter(|_| known),
            Some(happening.net_std_kg),
        ),
        entry: happening.booked.as_ref().map(ToString::to_string),
        to_do: to_do(happening),
        note: String::new(),
    }
}

fn part(plant: &Plant, id: &Id, kg: f64) -> PartFact {
    PartFact {
        id: id.to_string(),
        name: plant
            .vessel_by_id(id)
            .map_or_else(|| id.to_string(), |(_, vessel)| vessel.name.clone()),
        mass: Figure::kg(Some(kg), None),
    }
}

fn to_do(happening: &Happening) -> String {
    let of_books = match (happening.kind, &happening.booked) {
        (HappeningKind::Delivery, None) => {
            "Not booked: enter it in the ledger with what was weighed or metered."
        }
        (HappeningKind::Vent, None) => {
            "Not booked: find out where it went. If gas was let out or handed out, enter it in the ledger."
        }
        _ => "",
    };
    match happening.doubt() {
        Some(doubt) => format!("Compare its instruments first: {doubt}. {of_books}")
            .trim_end()
            .to_owned(),
        None => of_books.to_owned(),
    }
}

/// Room for gas of a picture; none when no store says where it is full.
#[must_use]
pub fn room_facts(scene: Scene<'_>) -> Option<RoomFact> {
    let room = scene.view.room.as_ref()?;
    let unit = QuantityKind::MassFlow
        .unit("g/s")
        .unwrap_or_else(|| QuantityKind::MassFlow.si_unit());
    let known = room.hours.is_some();
    let parts = |list: &[(Id, f64)]| {
        list.iter()
            .map(|(id, kg)| part(scene.plant, id, *kg))
            .collect()
    };
    Some(RoomFact {
        hours: room.hours,
        hours_band: room.hours_band,
        statement: statement(room),
        free: Figure::kg(Some(room.free_kg), Some(room.free_std_kg)),
        stores: parts(&room.by_vessel),
        by_compressor: parts(&room.by_compressor),
        boil_off: Figure::in_unit(
            Some(room.boil_off_kg_per_s).filter(|_| known),
            Some(room.boil_off_std_kg_per_s),
            unit,
        ),
        boil_off_from: room
            .boil_off_from
            .iter()
            .map(|(id, from)| format!("{id}: {}", from.words()))
            .collect(),
        can_do: CAN_DO,
        cautions: CAUTIONS,
        local_rules: scene.plant.site.local_rules.clone(),
    })
}

fn statement(room: &RoomLeft) -> String {
    let Some((hours, (low, high))) = room.hours.zip(room.hours_band) else {
        return format!(
            "Room for {:.1} kg of gas if the compressors stop now; how long that lasts is not known, since the boil-off is not",
            room.free_kg
        );
    };
    format!(
        "If the compressors stop now, gas must be vented after {} (95 %: {} to {})",
        time(hours),
        time(low),
        time(high)
    )
}

/// Minutes below two hours.
fn time(hours: f64) -> String {
    if hours < 2.0 {
        format!("{:.0} min", 60.0 * hours)
    } else if hours < 100.0 {
        format!("{hours:.1} h")
    } else {
        format!("{:.0} days", hours / 24.0)
    }
}
