-- One row per prescribed saturation target. Source: `targets` of the extract.
create table targets (
    stay_no integer not null, -- the store's own number of the stay: joins the row to its stay, shorter than stay_id
    prescribed_at timestamp not null, -- from when on the band is in force
    lower_percent double not null, -- below it, saturation was too low
    upper_percent double not null, -- above it on oxygen is too much; up to 92: weak evidence of CO2 retention
    stopped_at timestamp -- from when on no band is in force
);
