//! The settings files that come with the simulator, by the site they belong to.

/// Name and text of the settings for a site, where there are any.
#[must_use]
pub fn bundled(site: &str) -> Option<(&'static str, &'static str)> {
    match site {
        "tarn-hollow" => Some((
            "simulator/plants/tarn-hollow.toml",
            include_str!("../../plants/tarn-hollow.toml"),
        )),
        "single-dewar" => Some((
            "simulator/plants/single-dewar.toml",
            include_str!("../../plants/single-dewar.toml"),
        )),
        "score" => Some((
            "simulator/plants/score.toml",
            include_str!("../../plants/score.toml"),
        )),
        "thirty" => Some((
            "simulator/plants/thirty.toml",
            include_str!("../../plants/thirty.toml"),
        )),
        _ => None,
    }
}
