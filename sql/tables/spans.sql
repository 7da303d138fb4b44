-- One row per span of a stay in which nothing changes, the saturation included. See `timeline`.
-- band_state is a code here to keep a billion rows small; `timeline` shows it in words.
create table spans (
    condition_no bigint not null, -- joins the span to `conditions`
    started_at timestamp not null, -- when the span starts: where episodes, months and readings are placed
    seconds integer not null, -- the length of the span: every share of time adds it up
    spo2_percent double, -- the saturation that holds, to show how far from the band it was
    band_state band_state not null, -- below, within, above or not to be told: what is counted
    readings integer not null, -- to count readings beside time
    last_reading_s integer not null -- how long after the start the last of them was read, for intervals between readings
);
