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

-- The chain of AuditEvents, without gaps. `hash` is the SHA-256 of the hash before, the number and the body of the resource whose key
-- is `resource`, in hexadecimal.
create table audit_link (
    number integer primary key,
    resource integer not null,
    hash text not null
) strict;

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

-- The outbox: who is told. `first` is the number of the first event that waits. A receiver whose last attempt did not fail
-- (failures 0) may be sent to at any time, so that a clock which was set back holds nothing up; another one from next_at_ms on;
-- nothing is sent to one that is held until a write releases it: its Subscription is not active.
create table receiver (
    key text primary key,
    last_number integer not null default 0,
    first integer,
    failures integer not null default 0,
    failing_since_ms integer,
    next_at_ms integer not null default 0,
    last_at_ms integer not null default 0,
    last_outcome text,
    last_reason text,
    held integer not null default 0
) strict, without rowid;
create index receiver_well on receiver (last_at_ms, key) where first is not null and held = 0 and failures = 0;
create index receiver_failing on receiver (next_at_ms, key) where first is not null and held = 0 and failures > 0;

-- What they are told. settled: 0 waiting, 1 delivered, 2 dropped, 3 dead letter.
create table event (
    receiver text not null,
    number integer not null,
    kind text not null,
    id text not null,
    version integer not null,
    raised_at_ms integer not null,
    queued_at_ms integer not null,
    attempts integer not null default 0,
    settled integer not null default 0,
    primary key (receiver, number)
) strict, without rowid;
create index event_waiting on event (receiver, number) where settled = 0;
create index event_dead on event (receiver, number) where settled = 3;

-- Who last wrote a Subscription.
create table maker (
    subscription text primary key,
    client text not null,
    registration text not null,
    scope text not null
) strict, without rowid;

-- What may be used once and was.
create table used (
    key text primary key,
    until_ms integer not null
) strict, without rowid;
create index used_by_time on used (until_ms);

-- Attempts are appended, never changed.
create table attempt (
    receiver text not null,
    number integer not null,
    attempt integer not null,
    at_ms integer not null,
    outcome text not null,
    reason text,
    primary key (receiver, number, attempt)
) strict, without rowid;

-- What stands for a resource of ours at a hospital record server. our_version: the version last written there; 0: it is theirs.
create table counterpart (
    record text not null,
    kind text not null,
    id text not null,
    their_id text not null,
    their_version text,
    our_version integer not null,
    diverged integer not null,
    primary key (record, kind, id),
    constraint counterpart_theirs_once unique (record, kind, their_id)
) strict, without rowid;

-- How far a record server has been read.
create table bookmark (
    record text not null,
    kind text not null,
    until_ms integer,
    read_at_ms integer not null,
    problem text,
    primary key (record, kind)
) strict, without rowid;

-- What was read there and not taken in.
create table unread (
    record text not null,
    kind text not null,
    their_id text not null,
    their_version text,
    at_ms integer not null,
    reason text not null,
    primary key (record, kind, their_id)
) strict, without rowid;

-- When a Subscription must be looked at although nothing has happened.
create table subscription_call (
    subscription text primary key,
    at_ms integer not null
) strict, without rowid;
create index subscription_call_by_time on subscription_call (at_ms);

-- While another store is being copied into this one: from where, which table is next, and how far it has come. Else empty.
create table copying (
    source text not null,
    part integer not null,
    place text
) strict;
