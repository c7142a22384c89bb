-- References are found by whom they refer to first: what refers to the things of one patient then stands together, and a write finds it
-- on a few pages however many patients there are. By parameter first, each of a dozen parameters had another page for the same patient.
-- Building it holds writes up; whoever has very many makes it beforehand, under this name, with `create index concurrently`. One that did
-- not come to its end is built anew.
do $$
begin
    if exists (select 1 from pg_index where indexrelid = to_regclass('reference_by_target') and not indisvalid) then
        drop index reference_by_target;
    end if;
end
$$;
create index if not exists reference_by_target on reference_row (left(id, 128), param, kind);
