-- What the index by target does instead. Apart from it: this waits for all who read references, and whoever waits too long begins again.
drop index if exists reference_by_id;
