-- While another store is being copied into this one: from where, which table is next, and how far it has come. Else empty.
create table copying (
    source text collate "C" not null,
    part bigint not null,
    place text collate "C"
);
