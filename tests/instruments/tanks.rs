//! Strapping against independently computed volumes.

use coldledger::instrument::level::{Head, Shape, Strapping};

use crate::reference::{Table, Worst};

/// `tank_volumes.csv`: cylinders with four kinds of head, and the sphere.
#[test]
fn volumes_agree_with_the_tables() {
    let table = Table::read("tank_volumes.csv");
    let mut volume = Worst::new("tank_volumes.csv, of the total", 1e-6);
    let mut total = Worst::new("tank_volumes.csv, total, relative", 1e-6);
    let mut height = Worst::new("tank_volumes.csv, inverse, of the height", 1e-6);
    for row in table.rows() {
        let (diameter_m, length_m) = (row.number("D_m"), row.number("L_m"));
        let head = match row.text("heads") {
            "ellipsoidal_2to1" => Head::Ellipsoidal2To1,
            "torispherical_asme_fd" => Head::ASME_FLANGED_DISHED,
            "hemispherical" => Head::Hemispherical,
            "flat" | "none" => Head::Flat,
            other => panic!("unknown head {other}"),
        };
        let shape = match row.text("orientation") {
            "horizontal" => Shape::HorizontalCylinder {
                diameter_m,
                length_m,
                heads: head,
            },
            "vertical" => Shape::VerticalCylinder {
                diameter_m,
                length_m,
                bottom: head,
                top: head,
            },
            "sphere" => Shape::Sphere { diameter_m },
            other => panic!("unknown orientation {other}"),
        };
        let strapping = Strapping::from_shape(&shape).unwrap();
        let (h, expected) = (row.number("h_m"), row.number("V_m3"));
        let (got, _) = strapping.volume_at(h).unwrap();
        volume.see((got - expected) / row.number("V_total_m3"));
        total.see(strapping.total() / row.number("V_total_m3") - 1.0);
        let (_, top) = strapping.heights();
        height.see((strapping.height_at(expected).unwrap() - h) / top);
    }
    let rows = table.rows().count();
    volume.report(rows);
    total.report(rows);
    height.report(rows);
}
