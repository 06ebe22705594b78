//! The macro by which every suite runs its scenarios on both databases.

/// Makes two tests of each scenario: `<scenario>::on_sqlite` and `<scenario>::on_postgresql`.
macro_rules! on_both_databases {
    ($($scenario:ident),+ $(,)?) => { $(
        mod $scenario {
            use crate::installation::Installation;

            #[test]
            fn on_sqlite() {
                super::$scenario(&Installation::on_sqlite());
            }

            #[test]
            fn on_postgresql() {
                super::$scenario(&Installation::on_postgresql());
            }
        }
    )+ };
}
