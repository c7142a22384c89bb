-- What instances need to know of the database that they share.

-- In which database events were last numbered: its timeline, and which table of receivers it has. Another one was restored or has
-- taken over, and may not know of the last numbers that the one before gave out.
create table home (
    key bigint primary key check (key = 1),
    mark text collate "C" not null
);

-- Always empty. Every commit passes through it, and whoever moves a counter that all others rest on closes it meanwhile: on a row,
-- those who share it overtake whoever waits to change it, for ever if there are enough of them; at a table all wait in line.
create table gate (
    passer bigint
);
