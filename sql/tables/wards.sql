-- One row per ward entered in a stay. Source: `wards` of the extract.
create table wards (
    stay_no integer not null, -- the store's own number of the stay: joins the row to its stay, shorter than stay_id
    ward varchar not null, -- every figure is shown by ward
    entered_at timestamp not null -- from when on the time counts for this ward
);
