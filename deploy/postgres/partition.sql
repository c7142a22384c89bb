-- Cuts versions of resources, and what these can be found by, into parts by patient: 16, and one for what is of no patient. Run it with
-- the service stopped, once, after a backup: psql -v ON_ERROR_STOP=1 -1 -f partition.sql DATABASE. It writes everything anew and needs
-- as much room again.
--
-- The upper bits of a resource's key say whose it was when it was made, and versions and rows lie where the key of their resource leads:
-- those of one patient lie together, be there as many others as there may. The service sees that the tables are cut when it starts, and
-- gives new resources such keys (`postgres/part.rs`). Its statements are the same ones.
--
-- It is worth while from some ten million resources on: a write touches the pages of one part, whose indexes fit into memory, and a
-- part can be vacuumed, rebuilt or moved to another disk alone.
do $$
declare
    whole text;
    columns text;
    definitions text[];
    definition text;
begin
    if (select relkind from pg_class where oid = 'resource_version'::regclass) = 'p' then
        raise exception 'this database has been cut into parts before';
    end if;

    create temporary table place on commit drop as
        select key as was, (coalesce(get_byte(sha256(convert_to(patient, 'UTF8')), 0) % 255 + 1, 0)::bigint << 54)
            + row_number() over (order by key) as becomes
        from resource;
    create unique index on place (was);
    analyze place;
    -- By way of negative ones: no key may be there twice at any time.
    update resource r set key = -p.becomes from place p where p.was = r.key;
    update resource set key = -key;
    perform setval('resource_key_seq', (select count(*) + 1 from place), false);
    update audit_link l set resource = p.becomes from place p where p.was = l.resource;

    foreach whole in array
        array['resource_version', 'token_row', 'reference_row', 'date_row', 'text_row', 'quantity_row']
    loop
        -- A unique key must have the column that cuts, so versions lose theirs on `key`; a sequence gives it, and nothing refers to it.
        select array_agg(replace(indexdef, 'UNIQUE INDEX resource_version_pkey', 'INDEX resource_version_by_key'))
            into definitions from pg_indexes where schemaname = current_schema() and tablename = whole;
        select string_agg(quote_ident(column_name), ', ') into columns from information_schema.columns
            where table_schema = current_schema() and table_name = whole and column_name <> 'resource';
        execute format('alter table %I rename to %I', whole, whole || '_before');
        execute format('create table %I (like %I including identity) partition by range (resource)',
            whole, whole || '_before');
        execute format('create table %I partition of %I for values from (minvalue) to (%s)',
            whole || '_0', whole, 1::bigint << 54);
        for part in 1..16 loop
            execute format('create table %I partition of %I for values from (%s) to (%s)', whole || '_' || part, whole,
                (16 * part - 15)::bigint << 54, case when part < 16 then ((16 * part + 1)::bigint << 54)::text else 'maxvalue' end);
        end loop;
        execute format('insert into %I (%s, resource) select %s, p.becomes from %I join place p on p.was = resource',
            whole, columns, columns, whole || '_before');
        execute format('drop table %I', whole || '_before');
        foreach definition in array definitions loop
            execute definition;
        end loop;
        execute format('analyze %I', whole);
    end loop;

    execute format('alter sequence %s rename to resource_version_key_seq',
        pg_get_serial_sequence('resource_version', 'key'));
    perform setval('resource_version_key_seq', (select coalesce(max(key), 0) + 1 from resource_version), false);
end
$$;
