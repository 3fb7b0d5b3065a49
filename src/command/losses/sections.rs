//! The balance of a section's area over more than thirty days: the balances that were reported of it,
//! end to end.

use super::LossesError;
use super::record::{NEAR, Record};
use crate::balance::area::{Area, section_ids_of};
use crate::balance::chain::{self, Link};
use crate::balance::window::GRID;
use crate::console::facts::losses::name_of;
use crate::console::facts::statement::Course;
use crate::engine::WindowBalance;
use crate::plant::{Id, SectionIx};
use crate::time::{Span, Timestamp};

/// A rest of a stretch that is shorter than the shortest window.
const LEAST: Span = Span::HOUR;

/// Said of a section that no meter parts from any other.
pub(super) const WHOLE: &str =
    "No meter parts it from any other section: this is the balance of the whole plant.";

/// What an area is called, and lines that say why its sections are joined.
type Words = (String, Vec<String>);

/// The balance, with what its area is called; none, and a note that says why, when it cannot be had.
pub(super) fn balance(
    record: &Record<'_>,
    section: SectionIx,
    course: &mut Course,
) -> Result<Option<(WindowBalance, Words)>, LossesError> {
    let begin = course.from.unwrap_or(record.from);
    let mut end = course.to.unwrap_or(record.to);
    let mut area: Option<Area> = None;
    let mut links: Vec<Link> = Vec::new();
    while end - begin >= LEAST {
        let Some((id, link)) = last_before(record, section, end, end - begin)? else {
            if links.is_empty() && whole(record, end)? {
                let words = vec![WHOLE.to_owned()];
                let found = record.long_balance(course)?;
                return Ok(found.map(|balance| (balance, (name_of(record.plant, None), words))));
            }
            course.notes.push(format!(
                "the section has no balance up to {end} on record, so none over the whole stretch; \
                 ask for one that ends before or begins after"
            ));
            return Ok(None);
        };
        let Some(found) = Area::of_id(record.plant, &id) else {
            course.notes.push(format!(
                "up to {end} the description had other sections ({id}): a balance cannot go further back"
            ));
            return Ok(None);
        };
        if area.as_ref().is_some_and(|area| *area != found) {
            course.notes.push(format!(
                "up to {end} valves joined other sections with it than after ({id}): a balance holds \
                 for one of the two only; ask for a stretch that ends or begins there"
            ));
            return Ok(None);
        }
        area = Some(found);
        // Each one begins before it ends, so this comes to an end.
        end = link
            .balance
            .from
            .map_or(begin, |from| from.min(end - LEAST));
        links.push(link);
    }
    links.reverse();
    let Some(area) = area else {
        return Ok(None);
    };
    let name = name_of(record.plant, Some(&area.id(record.plant)));
    let words = vec![format!(
        "{} balances as they were reported, end to end, with what has been booked since; their \
         uncertainties are added up",
        links.len()
    )];
    let joined = chain::joined(record.plant, record.engine.ledger(), &area, &links);
    Ok(joined.map(|balance| (balance, (name, words))))
}

/// Whether the plant was one area up to a time: there were reports, and none of a section.
fn whole(record: &Record<'_>, end: Timestamp) -> Result<bool, LossesError> {
    let until = end + Span::from_millis(GRID.millis() / 2);
    let (reader, from) = (record.reader, end - NEAR);
    let of_plant = reader.losses_between(from, until, usize::MAX)?;
    let of_sections = reader.section_losses_between(from, until)?;
    Ok(!of_plant.reports.is_empty() && of_sections.reports.is_empty())
}

/// The longest balance within `most` that was reported of the section up to a time, with the id of its
/// area.
fn last_before(
    record: &Record<'_>,
    section: SectionIx,
    end: Timestamp,
    most: Span,
) -> Result<Option<(Id, Link)>, LossesError> {
    // The report of a step comes with the first tick after it.
    let until = end + Span::from_millis(GRID.millis() / 2);
    let found = record.reader.section_losses_between(end - NEAR, until)?;
    let wanted = record.plant.section(section).map(|one| &one.id);
    for dated in found.reports.iter().rev() {
        let Some(id) = &dated.report.section else {
            continue;
        };
        let holds = wanted.is_some_and(|wanted| section_ids_of(id).any(|one| *one == **wanted));
        let windows = dated.report.windows.iter();
        let within = windows.filter(|window| window.from.is_some() && window.over <= most);
        if let (true, Some(balance), Some(to)) = (
            holds,
            within.max_by_key(|window| window.over),
            dated.stamp.utc,
        ) {
            let link = Link {
                balance: balance.clone(),
                to,
                ledger_then: record.engine.ledger().as_of(dated.seq),
            };
            return Ok(Some((Id::clone(id), link)));
        }
    }
    Ok(None)
}
