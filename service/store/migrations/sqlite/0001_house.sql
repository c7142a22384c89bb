-- Each resource and which version of it is the newest one. A deleted one stays, so that its versions go on counting.
create table resource (
    key integer primary key,
    kind text not null,
    id text not null,
    version integer not null,
    at_ms integer not null,
    patient text,
    deleted integer not null default 0,
    constraint resource_once unique (kind, id)
) strict;
create index resource_by_patient on resource (patient, kind, id) where patient is not null;
create index resource_by_time on resource (kind, at_ms, id);

-- Every version of every resource, as it was committed. deed: 0 created, 1 updated, 2 deleted (and then the body is empty).
create table resource_version (
    key integer primary key,
    resource integer not null references resource (key),
    version integer not null,
    at_ms integer not null,
    body text not null,
    deed integer not null,
    constraint resource_version_once unique (resource, version)
) strict;
create index resource_version_by_time on resource_version (at_ms, key);

-- What a resource can be found by. `param` is type and parameter, such as Task.status; no system is the empty text. Under
-- Task.owner:identifier stand the business identifiers of references, under Patient.identifier:of-type the identifiers with the
-- system and code of their type, as code|value.
-- `resource` is a key of the table resource. It is not declared as one: these rows are only ever written together with their
-- resource, rows of resources are never removed, and to look each up again makes a commit slower.
create table token_row (
    param text not null,
    code text not null,
    system text not null,
    resource integer not null,
    primary key (param, code, system, resource)
) strict, without rowid;
create index token_by_resource on token_row (resource);

create table reference_row (
    param text not null,
    id text not null,
    kind text not null,
    resource integer not null,
    primary key (param, id, kind, resource)
) strict, without rowid;
create index reference_by_resource on reference_row (resource);

create table date_row (
    param text not null,
    start_ms integer not null,
    end_ms integer not null,
    resource integer not null,
    primary key (param, start_ms, end_ms, resource)
) strict, without rowid;
create index date_by_resource on date_row (resource, param, start_ms);

-- `value` is without case and accents, `exact` as it stands.
create table text_row (
    param text not null,
    value text not null,
    exact text not null,
    resource integer not null,
    primary key (param, value, exact, resource)
) strict, without rowid;
create index text_by_resource on text_row (resource);

create table quantity_row (
    param text not null,
    low real not null,
    high real not null,
    code text not null,
    system text not null,
    unit text not null,
    resource integer not null,
    primary key (param, low, high, code, system, unit, resource)
) strict, without rowid;
create index quantity_by_resource on quantity_row (resource);

-- Counters that decisions rest on.
create table scope (
    key text primary key,
    generation integer not null
) strict, without rowid;

-- When a patient must be looked at again; days since 1970-01-01.
create table agenda (
    patient text primary key,
    due_day integer not null
) strict, without rowid;
create index agenda_by_day on agenda (due_day, patient);

-- The outbox. settled: 0 waiting, 1 delivered, 2 dropped.
create table event (
    subscription text not null,
    number integer not null,
    kind text not null,
    id text not null,
    version integer not null,
    raised_at_ms integer not null,
    attempts integer not null default 0,
    next_at_ms integer not null,
    settled integer not null default 0,
    primary key (subscription, number)
) strict, without rowid;
create index event_waiting on event (subscription, number) where settled = 0;

-- Attempts are appended, never changed.
create table attempt (
    subscription text not null,
    number integer not null,
    attempt integer not null,
    at_ms integer not null,
    outcome text not null,
    reason text,
    primary key (subscription, number, attempt)
) strict, without rowid;

-- While another store is being copied into this one: from where, which table is next, and how far it has come. Else empty.
create table copying (
    source text not null,
    part integer not null,
    place text
) strict;
