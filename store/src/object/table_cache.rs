//! Tables of frames that were read lately, so that a row costs one request, not two.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

use super::frames::FrameTable;

/// Tables kept at once; one takes 16 bytes for each megabyte of its original.
const TABLES: usize = 64;

/// Tables by key.
#[derive(Debug, Default)]
pub(super) struct TableCache(Mutex<HashMap<String, Arc<FrameTable>>>);

impl TableCache {
    pub(super) fn get(&self, key: &str) -> Option<Arc<FrameTable>> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).get(key).cloned()
    }

    pub(super) fn put(&self, key: &str, table: Arc<FrameTable>) {
        let mut tables = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        // rarely full, and cheap to fill again
        if tables.len() >= TABLES {
            tables.clear();
        }
        tables.insert(key.to_owned(), table);
    }

    pub(super) fn forget(&self, key: &str) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).remove(key);
    }
}
