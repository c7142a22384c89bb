//! What every store must do, as plain functions over the port. Another implementation runs the same laws with one more
//! factory in [`stores`] and one more `contract!` line. PostgreSQL's are on a server that this process starts for itself.

mod claim;
mod facts;
mod outbox;
mod resource;
mod scope;
mod search;

/// One fresh, empty store of each implementation.
mod stores {
    use endplate_store::{PostgresStore, SqliteStore};

    pub async fn sqlite() -> SqliteStore {
        SqliteStore::open("sqlite::memory:").await.unwrap()
    }

    pub async fn postgres() -> PostgresStore {
        PostgresStore::open(&endplate_tests::postgres::database().await).await.unwrap()
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

macro_rules! contract {
    ($backend:ident) => {
        mod $backend {
            laws! {
                $backend:
                resource::a_version_is_read_as_it_was_put,
                resource::history_is_newest_first,
                resource::a_deletion_is_a_version_and_ends_what_can_be_found,
                resource::what_refers_to_a_resource_is_known,
                resource::a_history_is_of_an_instance_a_type_or_all,
                resource::pages_of_a_history_neither_repeat_nor_skip_while_it_grows,
                resource::a_body_comes_back_byte_for_byte,
                resource::a_version_out_of_turn_writes_nothing,
                resource::a_resource_twice_in_a_changeset_writes_nothing,
                resource::a_compartment_is_ordered_by_type_and_id,
                resource::a_resource_that_changes_patient_leaves_the_old_compartment,
                resource::a_compartment_and_its_counter_are_one_snapshot,
                resource::readers_are_answered_while_a_large_commit_is_under_way,
                scope::scopes_move_by_one,
                scope::a_moved_scope_writes_nothing,
                scope::a_counter_that_is_only_read_must_not_have_moved_and_stays,
                scope::of_two_commits_on_one_scope_one_wins,
                scope::concurrent_commits_are_all_there,
                scope::a_refused_commit_takes_nothing_from_its_neighbours,
                scope::the_agenda_is_read_by_day_in_order_of_patient,
                scope::the_agenda_holds_the_last_date_or_none,
                claim::what_is_claimed_is_nobody_elses_until_it_is_given_up,
                claim::a_claim_ends_with_its_time,
                claim::of_many_who_claim_at_once_one_has_it,
                outbox::events_are_numbered_within_their_subscription,
                outbox::numbers_have_no_gaps_under_concurrent_commits,
                outbox::only_the_first_unsettled_event_waits,
                outbox::a_retry_waits_for_its_time,
                outbox::a_dropped_event_makes_room,
                outbox::settling_again_changes_nothing,
                outbox::the_next_time_is_that_of_the_earliest_subscription,
                outbox::as_many_events_as_asked_for,
                search::tokens,
                search::references,
                search::texts_and_ids,
                search::dates_by_every_prefix,
                search::last_updated_by_every_prefix,
                search::clauses_together_as_the_query_itself_decides,
                search::new_rows_replace_the_old,
                search::sorted_by_time_both_ways,
                search::sorted_by_a_date_both_ways,
                search::sorted_by_several_keys,
                search::through_references,
                search::a_count_of_nothing_is_the_total_alone,
                search::pages_neither_repeat_nor_skip_while_rows_are_inserted,
                search::the_total_is_of_the_same_snapshot,
            }
        }
    };
}

contract!(sqlite);
contract!(postgres);
