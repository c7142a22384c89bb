-- Bodies packed by Zstandard with a dictionary (`dictionary/README.md`); then `body` is empty. Nothing that is packed can be packed again.
alter table resource_version add column packed bytea;
alter table resource_version alter column packed set storage external;

-- The dictionary that instances which start from now on pack bodies with; no row: they keep them as they are. An instance of the release
-- before cannot read what is packed, and may be at work beside this one: only a database that nobody has written to has a row at once.
create table packing (
    dictionary integer not null
);
insert into packing select 1 where not exists (select from resource);
