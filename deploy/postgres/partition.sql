-- Cuts versions of resources, and what these can be found by, into 16 parts by patient. Run it once, with the service stopped, after a
-- backup, as the user that owns the tables: psql -v ON_ERROR_STOP=1 -1 -f partition.sql DATABASE. It writes everything anew and needs
-- somewhat more room than the database has; all of it stands or none. Grants to other users and settings of single tables have to be given
-- again.
--
-- The upper bits of a resource's key say whose it was when it was made, and versions and rows lie where the key of their resource leads:
-- those of one patient lie together, and what is nobody's lies by its own id. The service sees that the tables are cut when it starts, and
-- gives new resources such keys (`postgres/part.rs`); what an instance makes that had started before lies in the first part. Its statements
-- are the same ones.
--
-- A part can be vacuumed, rebuilt, or moved to another disk alone, and each of its indexes is a sixteenth of the whole.
do $$
declare
    whole text;
    columns text;
    definitions text[];
    definition text;
    last_key bigint;
    moved bigint;
    stood bigint;
begin
    if (select relkind from pg_class where oid = 'resource_version'::regclass) = 'p' then
        raise exception 'this database has been cut into parts before';
    end if;
    if not (select relowner = current_user::regrole from pg_class where oid = 'resource_version'::regclass) then
        raise exception 'only the owner of the tables can cut them: the service would not be let in';
    end if;
    if exists (select 1 from pg_publication_tables where schemaname = current_schema() and tablename = 'resource_version') then
        raise exception 'these tables are published: take them out of their publications, and put the parts in';
    end if;
    lock table gate, resource, resource_version, token_row, reference_row, date_row, text_row, quantity_row, audit_link
        in access exclusive mode;

    -- New keys are beyond all old ones, wherever these came from, so that none is there twice at any time; and a sequence that was
    -- moved stays so, whatever becomes of the rest.
    select coalesce(max(key & ((1::bigint << 54) - 1)), 0) into last_key from resource;
    create temporary table place on commit drop as
        select key as was, (get_byte(sha256(convert_to(coalesce(patient, id), 'UTF8')), 0)::bigint << 54)
            + last_key + row_number() over (order by key) as becomes
        from resource;
    create unique index on place (was);
    analyze place;
    perform setval('resource_key_seq',
        greatest(last_key + (select count(*) from place), (select last_value from resource_key_seq)));
    update resource r set key = p.becomes from place p where p.was = r.key;
    update audit_link l set resource = p.becomes from place p where p.was = l.resource;
    analyze resource, audit_link;

    foreach whole in array
        array['resource_version', 'token_row', 'reference_row', 'date_row', 'text_row', 'quantity_row']
    loop
        -- A unique key must have the column that cuts, so versions lose theirs on `key`; a sequence gives it, and nothing refers to it.
        select array_agg(replace(indexdef, 'UNIQUE INDEX resource_version_pkey', 'INDEX resource_version_by_key'))
            into definitions from pg_indexes where schemaname = current_schema() and tablename = whole
            and indexname <> 'resource_version_once';
        select string_agg(quote_ident(column_name), ', ') into columns from information_schema.columns
            where table_schema = current_schema() and table_name = whole and column_name <> 'resource';
        execute format('alter table %I rename to %I', whole, whole || '_before');
        execute format('create table %I (like %I including identity) partition by range (resource)',
            whole, whole || '_before');
        for part in 0..15 loop
            execute format('create table %I partition of %I for values from (%s) to (%s)', whole || '_' || part, whole,
                case when part > 0 then ((16 * part)::bigint << 54)::text else 'minvalue' end,
                case when part < 15 then ((16 * part + 16)::bigint << 54)::text else 'maxvalue' end);
        end loop;
        execute format('insert into %I (%s, resource) select %s, p.becomes from %I join place p on p.was = resource',
            whole, columns, columns, whole || '_before');
        get diagnostics moved = row_count;
        execute format('select count(*) from %I', whole || '_before') into stood;
        if moved <> stood then
            raise exception '% of % rows of % belong to no resource', stood - moved, stood, whole;
        end if;
        execute format('drop table %I', whole || '_before');
        foreach definition in array definitions loop
            execute definition;
        end loop;
        if whole = 'resource_version' then
            alter table resource_version add constraint resource_version_once unique (resource, version);
        end if;
        execute format('analyze %I', whole);
    end loop;

    execute format('alter sequence %s rename to resource_version_key_seq',
        pg_get_serial_sequence('resource_version', 'key'));
    perform setval('resource_version_key_seq', (select coalesce(max(key), 0) + 1 from resource_version), false);
end
$$;
