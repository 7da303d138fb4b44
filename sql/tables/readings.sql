-- One row per oxygen saturation reading. Source: `readings` of the extract.
create table readings (
    stay_no integer not null, -- the store's own number of the stay: joins the row to its stay, shorter than stay_id
    taken_at timestamp not null, -- from when on the reading speaks, until the next
    spo2_percent double not null, -- what is compared with the prescribed band
    respiratory_rate double, -- how much gas a breath asks for, which a mask may not give; optional
    ews_scale tinyint, -- the saturation scale scored on, to compare with the band; optional
    spo2_score tinyint, -- the score as charted, to compare with the reading; optional
    source varchar -- spot checks and monitors are not charted equally often; optional
);
