//! What every store must do, as plain functions over the port. Another implementation runs the same laws with one more
//! factory in [`stores`] and one more `contract!` line. PostgreSQL's are on a server that this process starts for itself.

mod access;
mod claim;
mod facts;
mod lead;
mod migration;
mod outbox;
mod record;
mod resource;
mod row;
mod scope;
mod search;
mod tally;

/// One fresh, empty store of each implementation.
mod stores {
    use endplate_store::{PostgresStore, SqliteStore};

    pub async fn sqlite() -> SqliteStore {
        SqliteStore::open("sqlite::memory:").await.unwrap()
    }

    pub async fn postgres() -> PostgresStore {
        PostgresStore::open(&endplate_tests::postgres::database().await).await.unwrap()
    }

    /// A database whose larger tables were cut into parts, as operators of a large one may.
    pub async fn partitioned() -> PostgresStore {
        use sqlx::Connection;
        let address = endplate_tests::postgres::database().await;
        drop(PostgresStore::open(&address).await.unwrap());
        let mut connection = sqlx::PgConnection::connect(&address).await.unwrap();
        let script = include_str!("../../../../deploy/postgres/partition.sql");
        sqlx::raw_sql(script).execute(&mut connection).await.unwrap();
        PostgresStore::open(&address).await.unwrap()
    }
}

macro_rules! laws {
    ($backend:ident: $($area:ident :: $law:ident,)+) => {
        $(
            #[tokio::test(flavor = "multi_thread", worker_threads = 2)]
            async fn $law() {
                let store = crate::stores::$backend().await;
                crate::$area::$law(&store).await;
            }
        )+
    };
}

/// The same one after the other, each on a fresh store.
macro_rules! laws_in_turn {
    ($fresh:ident: $($area:ident :: $law:ident,)+) => {
        $(
            println!("{}", stringify!($area::$law));
            crate::$area::$law(&$fresh().await).await;
        )+
    };
}

/// What every store must do, told to another macro.
macro_rules! every_law {
    ($told:ident, $backend:ident) => {
        $told! {
            $backend:
            access::what_may_be_used_once_is_used_once,
            access::who_last_wrote_a_subscription_is_kept_beside_it,
            resource::a_version_is_read_as_it_was_put,
            resource::history_is_newest_first,
            resource::a_deletion_is_a_version_and_ends_what_can_be_found,
            resource::what_refers_to_a_resource_is_known,
            resource::a_history_is_of_an_instance_a_type_or_all,
            resource::a_long_history_is_not_counted_to_its_end,
            resource::pages_of_a_history_neither_repeat_nor_skip_while_it_grows,
            resource::a_body_comes_back_byte_for_byte,
            resource::a_version_out_of_turn_writes_nothing,
            resource::a_resource_twice_in_a_changeset_writes_nothing,
            resource::a_compartment_is_ordered_by_type_and_id,
            resource::a_resource_that_changes_patient_leaves_the_old_compartment,
            resource::a_compartment_and_its_counter_are_one_snapshot,
            resource::readers_are_answered_while_a_large_commit_is_under_way,
            tally::nothing_stands_in_an_empty_store,
            tally::what_stands_is_counted_by_what_it_is,
            scope::scopes_move_by_one,
            scope::a_moved_scope_writes_nothing,
            scope::a_counter_that_is_only_read_must_not_have_moved_and_stays,
            scope::of_two_commits_on_one_scope_one_wins,
            scope::concurrent_commits_are_all_there,
            scope::a_refused_commit_takes_nothing_from_its_neighbours,
            scope::the_agenda_is_read_by_day_in_order_of_patient,
            scope::the_agenda_holds_the_last_date_or_none,
            outbox::events_are_numbered_within_their_receiver,
            outbox::an_event_keeps_the_trace_of_what_caused_it,
            outbox::numbers_have_no_gaps_under_concurrent_commits,
            outbox::a_queue_is_read_in_order_and_as_far_as_there_is_room,
            outbox::who_is_busy_is_left_out,
            outbox::a_retry_waits_for_its_time,
            outbox::a_dropped_event_makes_room,
            outbox::settling_again_changes_nothing,
            outbox::the_next_time_is_that_of_the_earliest_receiver,
            outbox::as_many_receivers_as_asked_for_those_first_who_wait_longest,
            outbox::a_dead_letter_is_kept_and_lets_the_next_one_go,
            outbox::what_waits_too_long_is_parked_together,
            outbox::what_is_asked_for_again_comes_under_its_number_before_what_is_newer,
            outbox::a_receiver_says_how_it_stands,
            record::a_counterpart_is_found_from_either_side,
            record::a_counterpart_replaces_what_was_known_of_either_side,
            record::how_far_a_record_server_was_read_is_kept,
            record::what_was_not_taken_in_stays_until_it_is,
            outbox::a_held_event_goes_when_it_is_released,
            outbox::nothing_is_held_for_a_subscription_that_was_written_meanwhile,
            outbox::what_went_in_one_message_fails_once,
            outbox::calls_are_due_in_order_and_once_set_anew,
            outbox::what_was_raised_is_counted_and_read_again,
            search::tokens,
            search::references,
            search::texts_and_ids,
            search::dates_by_every_prefix,
            search::last_updated_by_every_prefix,
            search::clauses_together_as_the_query_itself_decides,
            row::new_rows_replace_the_old,
            row::rows_come_and_go_alone,
            row::what_is_deleted_is_referred_to_by_nothing_that_stays,
            search::sorted_by_time_both_ways,
            search::sorted_by_a_date_both_ways,
            search::sorted_by_several_keys,
            search::through_references,
            search::counted_by_the_days_on_which_they_begin,
            search::a_count_of_nothing_is_the_total_alone,
            search::many_are_counted_to_the_end_only_if_that_is_asked_for,
            lead::what_few_have_is_found_among_very_many,
            search::pages_neither_repeat_nor_skip_while_rows_are_inserted,
            search::the_total_is_of_the_same_snapshot,
        }
    };
}

macro_rules! contract {
    ($backend:ident) => {
        mod $backend {
            every_law!(laws, $backend);
        }
    };
}

contract!(sqlite);
contract!(postgres);
contract!(partitioned);

/// What only a store of several instances must do: one process serves a SQLite file, and is granted whatever it claims.
mod instances {
    laws! {
        postgres:
        claim::what_is_claimed_is_nobody_elses_until_it_is_given_up,
        claim::a_claim_ends_with_its_time,
        claim::of_many_who_claim_at_once_one_has_it,
    }
}

mod container;
