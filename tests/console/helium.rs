//! What the Helium page says.

use super::pages::{says, text_of, with_happenings};
use super::scene::{calm, house, troubled};

#[tokio::test]
async fn the_helium_page_states_the_loss_in_plain_words() {
    let house = house(troubled).await;
    says(
        &house,
        "/helium",
        &[
            "1204 kg ± 12",
            "Losing 4.1 ± 0.6 kg/day beyond the accepted 0.4 kg/day.",
            "Since 21 Nov 14:00 GMT (95 %: between 21 Nov 06:12 GMT and 21 Nov 20:05 GMT).",
            // Student's t of four degrees of freedom: 4.1 ± 2.776 x 0.6.
            "Between 2.4 and 5.8 kg/day (95 %).",
            "Lost so far: 17.0 ± 2.1 kg.",
            "17.0 ± 1.9",
            "carried forward: T1",
            "uncertain : last known value, carried forward",
            "bad : an instrument it needs is bad",
            "18.72 ± 0.21 g/s",
            "tank wall temperature shared source 8.0 41.6 %",
            "118.40 ± 0.60",
            "replaced by L-7QK2MWXA",
        ],
    )
    .await;
}

#[tokio::test]
async fn the_helium_page_says_what_could_explain_a_loss_and_what_would_tell() {
    let house = house(troubled).await;
    says(
        &house,
        "/helium",
        &[
            "Probably: a leak in Magnet string 1 or an instrument that drifts at String 1 bath (S1-LT-110), which these meters cannot tell apart.",
            "86 % probably; cannot be told apart by these meters",
            "4.10 ± 0.61 kg/day since 21 Nov 14:00 GMT helium is lost",
            "no helium is lost",
            "helium vented from Liquefier and dewar and Tank farm and not booked",
            "a second reading beside S1-LT-110",
            "With Boil-off from the dewar (boil-off) closed for 8 h, Tank farm is by itself, and a loss of 3.6 kg/day from it would be seen (95 %).",
            "Only people move valves; Coldledger moves none. Never cut off a bath",
            "Ruled out not into an insulation vacuum",
            "Liquefier and dewar and Tank farm one area, since Boil-off from the dewar has no usable meter",
            "No loss seen: nothing above 6.3 kg/day over 24 h.",
            "Magnet string 1 Losing 4.1 ± 0.6 kg/day. Between 2.4 and 5.8 kg/day (95 %). Since 21 Nov 14:00 GMT",
            "milligrams",
        ],
    )
    .await;
    let losses = house.json("/api/v1/losses").await;
    let area = &losses["losses"][1];
    assert_eq!(area["section"], "liquid+tanks");
    assert_eq!(area["sections"], serde_json::json!(["liquid", "tanks"]));
    assert_eq!(area["joined_by"][0]["line"], "boil-off");
    let group = &losses["explanation"]["groups"][0];
    assert_eq!(group["hypotheses"][0]["loses_helium"], true);
    assert_eq!(group["isolation_tests"][0]["close"][0], "boil-off");
    assert_eq!(losses["ranges"].as_array().unwrap().len(), 3);
}

#[tokio::test]
async fn the_helium_page_says_whether_meters_and_inventories_agree() {
    let house = house(troubled).await;
    says(
        &house,
        "/helium",
        &[
            "Meters and sections reconciled over 24 h",
            "do not agree: 4.0 ± 0.5 kg lost from Magnet string 1; this cannot be told apart from the change of inventory of Magnet string 1 reading 4.0 ± 0.5 kg too low.",
            "Return of string 1 return 172.8 ± 1.7 173.10 ± 0.50 0.30 0.2",
            "so much or more comes by chance on less than 0.1 % of days, beyond the limit on 1 %.",
        ],
    )
    .await;
    let found = house.json("/api/v1/reconciliation").await;
    assert_eq!(found["agrees"], false);
    assert_eq!(found["lines"][0]["measured"]["unit"], "kg");
    assert_eq!(found["areas"][1]["suspect"], true);
    let calm = self::house(calm).await;
    assert!(calm.json("/api/v1/reconciliation").await.is_null());
    let (_, html) = calm.get("/helium").await;
    assert!(!text_of(&html).contains("reconciled"));
}

#[tokio::test]
async fn the_helium_page_says_what_room_is_left_and_what_to_do() {
    let house = house(with_happenings).await;
    says(
        &house,
        "/helium",
        &[
            "If the compressors stop now, gas must be vented after 39 min (95 %: 31 min to 47 min).",
            "Room for 10.77 ± 0.31 kg without a compressor",
            "4.62 ± 0.30 g/s boils off",
            "Out of reach without a compressor: Gas tank 1, 50 cubic metres 402.0 kg",
            "D1: as the description states it; B1: from its mass over the last hour, its supply shut",
            "Never shut a bath or a pipe with cold helium in it without a relief valve",
            "a person faints without any warning",
        ],
    )
    .await;
    let room = house.json("/api/v1/room").await;
    assert_eq!(room["hours"], 0.647);
    assert_eq!(room["boil_off"]["unit"], "g/s");
}
