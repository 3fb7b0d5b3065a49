//! Raw register to physical quantity (this floor is being merged).

pub mod chain {
    //! Whole channel conversion.
    use crate::instrument::uncertainty::ChannelUncertainty;
    use crate::quantity::{Measured, Quantity, Reason, Si};
    use smallvec::SmallVec;
    /// Number format of the registers.
    #[derive(Debug, Clone, Copy, PartialEq, Eq)]
    pub enum Format {
        /// 16-bit unsigned.
        U16,
    }
    impl Format {
        /// Registers used.
        #[must_use]
        pub fn words(self) -> u16 {
            1
        }
    }
    /// From registers to value.
    #[derive(Debug, Clone, PartialEq)]
    pub struct Chain {
        /// Number format.
        pub format: Format,
    }
    impl Chain {
        /// Converts.
        #[must_use]
        pub fn convert(
            &self,
            _words: &[u16],
            _range: (f64, f64),
            _u: &ChannelUncertainty,
        ) -> Measured<Si> {
            Measured::bad(Reason::NeverRead)
        }
        /// Registers that give this value.
        #[must_use]
        pub fn raw_for(&self, si: f64) -> Option<SmallVec<[u16; 4]>> {
            let _ = Si::from_si(si);
            None
        }
    }
}
pub mod level {
    //! Level and volume.
    /// Volume against height.
    #[derive(Debug, Clone, PartialEq)]
    pub struct Strapping;
}
pub mod uncertainty {
    //! Uncertainty of a channel.
    /// Parts.
    #[derive(Debug, Clone, PartialEq, Default)]
    pub struct ChannelUncertainty;
}
