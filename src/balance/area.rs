//! Which sections can be balanced by themselves.
//!
//! A line that helium may have passed unmetered joins the two sections at its ends: what one gives
//! and the other takes through it nobody knows, so only their sum can be balanced. What remains are
//! *areas*: sets of sections that metered or shut lines part from the rest. The states of the lines
//! change, so the areas of a day are others than those of an hour.

use serde::{Deserialize, Serialize};

use crate::plant::{End, Id, LineIx, Plant, SectionIx, Vessel};

/// The section ids that the id of an area is made of (see [`Area::id`]).
pub fn section_ids_of(area_id: &str) -> impl Iterator<Item = &str> {
    area_id.split('+')
}

/// Sections that are balanced together.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Area {
    /// Its sections, ascending.
    pub sections: Vec<SectionIx>,
}

impl Area {
    /// Whether a section belongs to it.
    #[must_use]
    pub fn holds(&self, section: SectionIx) -> bool {
        self.sections.binary_search(&section).is_ok()
    }

    /// Whether all sections of another belong to it.
    #[must_use]
    pub fn covers(&self, other: &Self) -> bool {
        other.sections.iter().all(|section| self.holds(*section))
    }

    /// +1 for a line that brings helium in, -1 for one that takes it out, none for one that stays
    /// inside or does not touch it.
    #[must_use]
    pub fn sign_of(&self, from: End, to: End) -> Option<f64> {
        let inside = |end| matches!(end, End::Section(section) if self.holds(section));
        match (inside(from), inside(to)) {
            (false, true) => Some(1.0),
            (true, false) => Some(-1.0),
            _ => None,
        }
    }

    /// The ids of its sections joined by `+`: what reports call it.
    #[must_use]
    pub fn id(&self, plant: &Plant) -> Id {
        let ids: Vec<&str> = self.section_ids(plant).collect();
        ids.join("+").into()
    }

    /// The area of such an id; none when the plant has not all of its sections.
    #[must_use]
    pub fn of_id(plant: &Plant, id: &str) -> Option<Self> {
        let mut sections: Vec<SectionIx> = section_ids_of(id)
            .map(|id| plant.section_by_id(id).map(|(ix, _)| ix))
            .collect::<Option<_>>()?;
        sections.sort_unstable();
        Some(Self { sections })
    }

    /// Its vessels.
    pub fn vessels<'a>(&'a self, plant: &'a Plant) -> impl Iterator<Item = &'a Vessel> {
        self.sections
            .iter()
            .filter_map(|&ix| plant.section(ix))
            .flat_map(|section| &section.vessels)
            .filter_map(|&ix| plant.vessel(ix))
    }

    /// The ids of its sections.
    pub fn section_ids<'a>(&'a self, plant: &'a Plant) -> impl Iterator<Item = &'a str> {
        self.sections
            .iter()
            .filter_map(|&ix| plant.section(ix).map(|section| &*section.id))
    }
}

/// The areas of a plant in which each line for which `joins` holds lets helium pass unseen.
///
/// They come in the order of their first section; a section without such a line is an area of its
/// own.
#[must_use]
pub fn areas(plant: &Plant, joins: impl Fn(LineIx) -> bool) -> Vec<Area> {
    let count = plant.all.section.len();
    // The lowest section that each section is joined with so far.
    let mut root: Vec<usize> = (0..count).collect();
    for (number, line) in (0u32..).zip(&plant.all.line) {
        let (End::Section(from), End::Section(to)) = (line.from, line.to) else {
            continue;
        };
        if from == to || !joins(LineIx(number)) {
            continue;
        }
        let ends = [from, to].map(|end| root.get(end.index()).copied());
        let [Some(a), Some(b)] = ends else {
            continue;
        };
        let (low, high) = (a.min(b), a.max(b));
        for one in &mut root {
            if *one == high {
                *one = low;
            }
        }
    }
    let mut found: Vec<(usize, Area)> = Vec::new();
    for (number, &root) in (0u32..).zip(&root) {
        let section = SectionIx(number);
        match found.iter_mut().find(|(known, _)| *known == root) {
            Some((_, area)) => area.sections.push(section),
            None => found.push((
                root,
                Area {
                    sections: vec![section],
                },
            )),
        }
    }
    found.into_iter().map(|(_, area)| area).collect()
}

#[cfg(test)]
mod tests {
    use std::fmt::Write;

    use super::*;
    use crate::plant::{self, files::SourceFile};

    fn plant() -> Plant {
        let mut text = String::from(
            r#"
[site]
id = "p"
name = "P"
time-zone = "UTC"
air-pressure = "1000 mbar(a) ± 10 mbar"
accepted-loss = "0 kg/day ± 0.1 kg/day"
local-rules = "x"
"#,
        );
        for id in ["a", "b", "c", "d"] {
            write!(
                text,
                "[[section]]\nid = \"{id}\"\nname = \"{id}\"\n[[vessel]]\nid = \"V{id}\"\nname = \"v\"\nsection = \"{id}\"\nunmeasured = true\n[[vessel.mode]]\nid = \"in-use\"\nholdup = \"1 kg ± 0.1 kg\"\n"
            )
            .unwrap();
        }
        for (id, from, to) in [
            ("ab", "a", "b"),
            ("cb", "c", "b"),
            ("cd", "c", "d"),
            ("vent", "a", "outside"),
            ("cc", "c", "c"),
        ] {
            write!(
                text,
                "[[line]]\nid = \"{id}\"\nname = \"l\"\nfrom = \"{from}\"\nto = \"{to}\"\nstate = \"open\"\n"
            )
            .unwrap();
        }
        let file = SourceFile {
            name: "p.toml".into(),
            text,
        };
        match plant::load(&[file]) {
            Ok(plant) => plant,
            Err(problems) => panic!("{problems:#?}"),
        }
    }

    #[test]
    fn lines_that_nobody_sees_through_join_sections() {
        let plant = plant();
        let ids = |joins: &[u32]| -> Vec<String> {
            areas(&plant, |line| joins.contains(&line.0))
                .iter()
                .map(|area| area.id(&plant).to_string())
                .collect()
        };
        assert_eq!(ids(&[]), ["a", "b", "c", "d"]);
        assert_eq!(ids(&[3, 4]), ["a", "b", "c", "d"]);
        assert_eq!(ids(&[1]), ["a", "b+c", "d"]);
        assert_eq!(ids(&[2, 0]), ["a+b", "c+d"]);
        assert_eq!(ids(&[0, 1, 2]), ["a+b+c+d"]);
    }

    #[test]
    fn a_line_has_a_sign_only_where_it_crosses() {
        let area = Area {
            sections: vec![SectionIx(0), SectionIx(1)],
        };
        let end = |ix| End::Section(SectionIx(ix));
        assert_eq!(area.sign_of(end(0), end(1)), None);
        assert_eq!(area.sign_of(end(2), end(1)), Some(1.0));
        assert_eq!(area.sign_of(end(0), End::Outside), Some(-1.0));
        assert_eq!(area.sign_of(end(2), end(3)), None);
    }
}
