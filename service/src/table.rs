//! Plain tables for the terminal: numbers to the right, hairlines, a width that fits the content.

/// Which side a column keeps to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Side {
    Left,
    Right,
}

/// A table with its heads.
pub(crate) struct Table {
    heads: Vec<(&'static str, Side)>,
    rows: Vec<Vec<String>>,
    /// The row that is ruled off from those above it.
    sum: Option<usize>,
}

impl Table {
    /// A table without rows.
    pub(crate) fn new(heads: Vec<(&'static str, Side)>) -> Table {
        Table { heads, rows: Vec::new(), sum: None }
    }

    /// Adds a row; a missing cell is empty.
    pub(crate) fn row(&mut self, cells: Vec<String>) {
        self.rows.push(cells);
    }

    /// Adds the row of sums, ruled off from those above it.
    pub(crate) fn sum(&mut self, cells: Vec<String>) {
        self.sum = Some(self.rows.len());
        self.rows.push(cells);
    }

    /// The table as text. Control characters of the cells are shown as spaces: a record's text must not move the
    /// cursor of the reader's terminal.
    pub(crate) fn text(&self) -> String {
        let cell = |row: &[String], at: usize| -> String {
            row.get(at)
                .map(|c| c.chars().map(|ch| if ch.is_control() { ' ' } else { ch }).collect())
                .unwrap_or_default()
        };
        let widths: Vec<usize> = self
            .heads
            .iter()
            .enumerate()
            .map(|(at, (head, _))| {
                self.rows
                    .iter()
                    .map(|row| cell(row, at).chars().count())
                    .max()
                    .unwrap_or(0)
                    .max(head.chars().count())
            })
            .collect();
        let line = |cells: &dyn Fn(usize) -> String| {
            let mut text = String::new();
            for (at, ((_, side), width)) in self.heads.iter().zip(&widths).enumerate() {
                let content = cells(at);
                match side {
                    Side::Left => text.push_str(&format!("{content:<width$}")),
                    Side::Right => text.push_str(&format!("{content:>width$}")),
                }
                text.push_str("  ");
            }
            format!("{}\n", text.trim_end())
        };
        let mut text = line(&|at| self.heads.get(at).map(|(head, _)| (*head).to_owned()).unwrap_or_default());
        let rule: usize = widths.iter().sum::<usize>() + 2 * widths.len().saturating_sub(1);
        let rule = format!("{}\n", "─".repeat(rule));
        text.push_str(&rule);
        for (at, row) in self.rows.iter().enumerate() {
            if self.sum == Some(at) {
                text.push_str(&rule);
            }
            text.push_str(&line(&|at| cell(row, at)));
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_stand_right_and_control_characters_do_nothing() {
        let mut table = Table::new(vec![("house", Side::Left), ("sq ft", Side::Right)]);
        table.row(vec!["A\u{1b}[31m".to_owned(), "9".to_owned()]);
        table.row(vec!["Beryl".to_owned(), "1234".to_owned()]);
        assert_eq!(table.text(), "house   sq ft\n─────────────\nA [31m      9\nBeryl    1234\n");
    }
}
