//! Random numbers for the Monte Carlo checks; the seed is part of each test.

/// SplitMix64 with Box-Muller.
pub struct Random(pub u64);

impl Random {
    pub fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^= z >> 31;
        f64::from(u32::try_from(z >> 32).unwrap()) / 4_294_967_296.0
    }

    pub fn normal(&mut self) -> f64 {
        let radius = libm::sqrt(-2.0 * libm::log(1.0 - self.uniform()));
        radius * libm::cos(std::f64::consts::TAU * self.uniform())
    }
}

/// Mean and scatter of what is seen.
#[derive(Default)]
pub struct Scatter {
    sum: f64,
    squares: f64,
    count: f64,
    origin: Option<f64>,
}

impl Scatter {
    pub fn see(&mut self, x: f64) {
        let x = x - *self.origin.get_or_insert(x);
        self.sum += x;
        self.squares += x * x;
        self.count += 1.0;
    }

    pub fn std(&self) -> f64 {
        let mean = self.sum / self.count;
        libm::sqrt(self.squares / self.count - mean * mean)
    }
}

/// The scatter of trials against the stated standard uncertainty: within 5 %.
pub fn assert_close(what: &str, scatter: f64, stated: f64) {
    let ratio = scatter / stated;
    println!("{what}: scatter / stated = {ratio:.4}");
    assert!((ratio - 1.0).abs() < 0.05, "{what}: {ratio}");
}
