-- One row per span of a stay in which nothing changes, the saturation included. See `timeline`.
-- band_state is a code here to keep a billion rows small; `timeline` shows it in words.
create table spans (
    condition_no bigint not null,
    started_at timestamp not null,
    seconds integer not null,
    spo2_percent double,
    band_state band_state not null,
    reading_taken boolean not null
);
