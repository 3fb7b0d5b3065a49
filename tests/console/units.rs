//! Loss rates in the reader's choice of unit, the same in the API and on the page.

use super::scene::{House, Plan, plant_text, troubled};

async fn shown_in(unit: &str) -> House {
    let text = plant_text()
        .replace("[site]\n", "[site]\nhelium-price-per-kg = \"60 EUR\"\n")
        .replace("loss-unit = \"kg/day\"", &format!("loss-unit = \"{unit}\""));
    Plan::of(&text, troubled).build().await
}

/// Values and standard uncertainties of a loss, and their unit.
async fn figures(house: &House) -> (Vec<f64>, String) {
    let facts = house.json("/api/v1/losses").await;
    let whole = &facts["losses"][0];
    let mut values = Vec::new();
    for key in ["excess", "accepted", "rate", "detection_limit"] {
        assert_eq!(whole[key]["unit"], facts["unit"], "{key}");
        values.push(whole[key]["value"].as_f64().unwrap());
        values.extend(whole[key]["std_uncertainty"].as_f64());
    }
    (values, facts["unit"].as_str().unwrap().to_owned())
}

/// Factors: `leak_units.csv` (SI definitions), `gas_volume_conversions.csv` and
/// `liquid_gas_ratio.csv` (CoolProp 8.0.0); a year of 365.25 days at 60 EUR.
#[tokio::test]
async fn every_unit_says_the_same_loss() {
    let (kg_per_day, _) = figures(&shown_in("kg/day").await).await;
    assert!(kg_per_day.len() > 6);
    for (unit, per_kg_per_day, state) in [
        ("g/s", 1.0 / 86.4, ""),
        (
            "L liquid/day",
            1.0 / 0.124_669_267_865,
            "saturated at 1 atm",
        ),
        (
            "Nm3/h",
            1.0 / 24.0 / 0.178_481_167_657,
            "gas at 0 °C and 1 atm",
        ),
        ("mbar L/s", 1.0 / 0.014_188_355_677_2, "gas at 20 °C"),
        ("EUR/year", 365.25 * 60.0, ""),
    ] {
        let house = shown_in(unit).await;
        let (values, symbol) = figures(&house).await;
        assert_eq!(symbol, unit);
        for (value, kg_per_day) in values.iter().zip(&kg_per_day) {
            let ratio = value / (kg_per_day * per_kg_per_day);
            assert!((ratio - 1.0).abs() < 1e-5, "{unit}: {value} {kg_per_day}");
        }
        let (status, html) = house.get("/helium").await;
        assert_eq!(status, 200);
        let headline = html.split("Losing ").nth(1).unwrap();
        let headline = headline.split("</p>").next().unwrap();
        assert_eq!(headline.matches(unit).count(), 2, "{headline}");
        assert!(html.contains(state), "{unit}");
        // The plot's axis too.
        assert!(html.contains(&format!("data-unit=\"{unit}\"")), "{unit}");
    }
}

#[tokio::test]
async fn digits_fit_the_uncertainty_in_every_unit() {
    let house = shown_in("kg/s").await;
    let (_, html) = house.get("/helium").await;
    // 0.4 kg/day accepted is 4.6e-6 kg/s: no zeros only.
    assert!(html.contains("the accepted 0.0000046 kg/s"), "{html}");
    let house = shown_in("EUR/year").await;
    let (_, html) = house.get("/helium").await;
    // 0.4 kg/day x 365.25 x 60 EUR.
    assert!(html.contains("the accepted 8766 EUR/year"), "{html}");
}
