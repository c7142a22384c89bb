-- While another store is being copied into this one: from where, which table is next, and how far it has come. Else empty.
create table copying (
    source text not null,
    part integer not null,
    place text
) strict;
