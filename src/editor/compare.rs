//! A and B: two versions of a pad or of the kit, one of which sounds.

/// The version that does not sound. Both are the same until the first switch.
#[derive(Debug)]
pub struct Compare<T> {
    other: Option<T>,
    on_b: bool,
}

impl<T> Default for Compare<T> {
    fn default() -> Self {
        Self { other: None, on_b: false }
    }
}

impl<T: Clone> Compare<T> {
    /// The side that sounds, 'A' or 'B'.
    pub fn side(&self) -> char {
        if self.on_b { 'B' } else { 'A' }
    }

    /// Keeps `now` and returns the other version, or `None` when both are the same so far.
    pub fn switch(&mut self, now: &T) -> Option<T> {
        self.on_b = !self.on_b;
        self.other.replace(now.clone())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn switching_twice_restores_the_first_version() {
        let mut compare = Compare::default();
        assert_eq!((compare.side(), compare.switch(&1)), ('A', None));
        assert_eq!((compare.side(), compare.switch(&2)), ('B', Some(1)));
        assert_eq!((compare.side(), compare.switch(&1)), ('A', Some(2)));
    }
}
