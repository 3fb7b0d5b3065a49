//! A statement as one page of HTML that needs nothing else: no script, no other file. It prints.

use askama::Template;

use super::curves;
use super::facts::helium::{MassFact, helium_facts};
use super::facts::statement::Course;
use super::facts::{LossFact, Scene, StatementFacts};
use super::words::Figure;

/// Cautions of every report.
const CAUTIONS: [&str; 4] = [
    "Coldledger reads instruments and keeps books. It is no safety system and stands in for no oxygen monitor, no protection and no person.",
    "A figure is as good as the description it rests on: volumes, calibrations and noise as stated there.",
    "\"Not seen\" is not \"not lost\": below the detection limit a loss may go on unseen.",
    "Whoever looks for a leak carries an oxygen monitor, is not alone, and keeps to the site's own rules, which come first.",
];

#[derive(Template)]
#[template(path = "report.html", config = "src/console/askama.toml")]
struct Page<'a> {
    css: &'static str,
    made: String,
    version: &'static str,
    facts: &'a StatementFacts,
    plant: Option<MassFact>,
    constant: Option<Figure>,
    description: String,
    engine: String,
    price: Option<String>,
    local_rules: &'a str,
    cautions: [&'static str; 4],
    inventory_plot: String,
    change_plot: String,
    loss_plot: String,
}

impl Page<'_> {
    fn whole(&self) -> Option<&LossFact> {
        let all = &self.facts.losses.losses;
        all.iter().find(|loss| loss.section.is_none())
    }

    fn areas(&self) -> impl Iterator<Item = &LossFact> {
        let all = &self.facts.losses.losses;
        all.iter().filter(|loss| loss.section.is_some())
    }
}

/// The page.
#[must_use]
pub fn html(scene: Scene<'_>, course: &Course, facts: &StatementFacts) -> String {
    let helium = helium_facts(scene);
    let (inventory_plot, change_plot, loss_plot) = match (course.from, course.to) {
        (Some(from), Some(to)) if from < to => {
            let mass = curves::Span::of(from, to, course.mass.len());
            let loss = curves::Span::of(from, to, course.loss.len());
            (
                curves::inventory(scene, mass, &course.mass),
                curves::change(scene, mass, &course.mass),
                curves::loss(scene, loss, &course.loss),
            )
        }
        _ => Default::default(),
    };
    let provenance = scene.view.provenance.as_ref();
    let price = scene.plant.site.helium_price_per_kg.as_ref();
    let page = Page {
        css: include_str!("assets/console.css"),
        made: scene.time.dated(scene.now).text,
        version: env!("CARGO_PKG_VERSION"),
        facts,
        plant: helium.plant,
        constant: helium.constant_uncertainty,
        description: scene.plant.hash.to_string(),
        engine: provenance.map_or_else(String::new, |p| p.engine.to_string()),
        price: price.map(|(per_kg, currency)| format!("{per_kg} {currency} per kg")),
        local_rules: &scene.plant.site.local_rules,
        cautions: CAUTIONS,
        inventory_plot,
        change_plot,
        loss_plot,
    };
    // Writing to a String fails only where a value's own formatting does, and none of these can.
    page.render().unwrap_or_default()
}
