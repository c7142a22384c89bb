-- References stand by whom they refer to first: what refers to the things of one patient then stands together, and a write finds it
-- on a few pages however many patients there are. By parameter first, each of a dozen parameters had another page for the same patient.
create table reference_row_by_target (
    param text not null,
    id text not null,
    kind text not null,
    resource integer not null,
    primary key (id, param, kind, resource)
) strict, without rowid;
insert into reference_row_by_target (param, id, kind, resource)
select param, id, kind, resource from reference_row order by id, param, kind, resource;
drop table reference_row;
alter table reference_row_by_target rename to reference_row;
create index reference_by_resource on reference_row (resource);
