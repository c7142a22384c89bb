//! Searches as both stores carry them out. sqlx knows no connection that is of either database, so this is written once for all and
//! compiled for each.

/// `search` and `counts` of a store: its dialect, the types of its pool, connections and rows, and how a snapshot of several statements
/// begins. Beside it stand the `query` and `failed` of the store.
macro_rules! searches {
    ($dialect:ident, $pool:ty, $connection:ty, $row:ty, $begin:ident($($how:expr)?)) => {
        use endplate_fhir::search::{Query, Total};
        use endplate_followup::ports::{Page, StoreError};
        use $crate::sql::Dialect::$dialect;
        use $crate::sql::lead::Leads;
        use $crate::sql::row::{Columns as _, stored};
        use $crate::sql::{clause, search as said};

        /// Which clauses lead; the database is asked where that depends on how many match each.
        async fn leads(connection: &mut $connection, asked: &Query) -> Result<Leads, sqlx::Error> {
            match clause::probe($dialect, asked) {
                Some(probe) => Leads::found(asked, &query(probe).fetch_one(connection).await?),
                None => Ok(Leads::unasked(asked)),
            }
        }

        /// The rows of a page, and what led to them: others than asked for where a walk did not fill it.
        async fn rows(
            connection: &mut $connection,
            asked: &Query,
            leads: Leads,
        ) -> Result<(Vec<$row>, Leads), sqlx::Error> {
            let rows = query(said::page($dialect, asked, &leads)).fetch_all(&mut *connection).await?;
            match leads.after_walk(&asked.clauses).filter(|_| rows.len() <= asked.count) {
                Some(leads) => {
                    Ok((query(said::page($dialect, asked, &leads)).fetch_all(connection).await?, leads))
                }
                None => Ok((rows, leads)),
            }
        }

        /// How many match, as far as they are counted.
        async fn total(
            connection: &mut $connection,
            asked: &Query,
            leads: &Leads,
        ) -> Result<Option<u64>, sqlx::Error> {
            let counted = query(said::count($dialect, asked, leads)).fetch_one(connection).await?;
            said::total(asked, &counted)
        }

        async fn found(connection: &mut $connection, asked: &Query) -> Result<Page, sqlx::Error> {
            let leads = leads(connection, asked).await?;
            if asked.count == 0 {
                if asked.total == Total::Near && !said::is_counted(asked, &leads) {
                    return Ok(Page::default());
                }
                return Ok(Page { total: total(connection, asked, &leads).await?, ..Page::default() });
            }
            let (first, leads) = rows(connection, asked, leads).await?;
            // Most searches find all there is on their first page, and then it need not be counted.
            if asked.after.is_none() && first.len() <= asked.count {
                let resources = first.iter().map(stored).collect::<Result<Vec<_>, _>>()?;
                return Ok(Page { total: Some(resources.len() as u64), resources, next: None });
            }
            if !said::is_counted(asked, &leads) {
                return said::cut(asked, first, None);
            }
            // One transaction, so that the page and the count are of one snapshot.
            let mut snapshot = sqlx::Connection::$begin(connection, $($how)?).await?;
            let (rows, leads) = rows(&mut snapshot, asked, leads).await?;
            let total = total(&mut snapshot, asked, &leads).await?;
            snapshot.commit().await?;
            said::cut(asked, rows, total)
        }

        /// How many values of a date parameter begin at which instant.
        pub(super) async fn counts(
            readers: &$pool,
            asked: &Query,
            param: &str,
        ) -> Result<Vec<(i64, u64)>, StoreError> {
            const CONTEXT: &str = "counting by day";
            let rows = query(said::counts($dialect, asked, param)).fetch_all(readers).await;
            let count = |row: &$row| Ok((row.integer(0)?, row.integer(1)?.unsigned_abs()));
            let counts = rows.and_then(|rows| rows.iter().map(count).collect());
            counts.map_err(failed(CONTEXT))
        }
    };
}

pub(crate) use searches;
