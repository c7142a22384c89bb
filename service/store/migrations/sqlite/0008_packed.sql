-- Bodies packed by Zstandard with a dictionary (`dictionary/README.md`); then `body` is empty.
alter table resource_version add column packed blob;

-- The dictionary that bodies are packed with from now on; no row: they are kept as they are. Nobody of the release before has this file open.
create table packing (
    dictionary integer not null
) strict;
insert into packing values (1);
