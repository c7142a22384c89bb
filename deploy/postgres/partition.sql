-- Cuts the tables of what resources can be found by into 16 parts each, by the resource that a row belongs to. Run it with the service
-- stopped, once, after a backup: psql -v ON_ERROR_STOP=1 -1 -f partition.sql DATABASE. Nothing of the service has to change: every
-- statement of it that writes names the resource, and one that reads asks all parts.
--
-- It is worth while from some hundred million rows on: an index that fits into memory is cheap to write to, and a part can be
-- rebuilt or moved to another disk alone.
do $$
declare
    whole text;
    part int;
    definitions text[];
    definition text;
begin
    foreach whole in array array['token_row', 'reference_row', 'date_row', 'text_row', 'quantity_row'] loop
        select array_agg(indexdef) into definitions from pg_indexes
            where schemaname = current_schema() and tablename = whole;
        execute format('alter table %I rename to %I', whole, whole || '_before');
        execute format('create table %I (like %I) partition by hash (resource)', whole, whole || '_before');
        for part in 0..15 loop
            execute format('create table %I partition of %I for values with (modulus 16, remainder %s)',
                whole || '_' || part, whole, part);
        end loop;
        execute format('insert into %I select * from %I', whole, whole || '_before');
        execute format('drop table %I', whole || '_before');
        foreach definition in array definitions loop
            execute definition;
        end loop;
    end loop;
end
$$;
