-- One row per oxygen device record. Source: `devices` of the extract.
create table devices (
    stay_no integer not null, -- the store's own number of the stay: joins the row to its stay, shorter than stay_id
    started_at timestamp not null, -- from when on the device is in force
    device varchar not null, -- whether oxygen was given, and how much of it reaches the patient
    flow_l_min double, -- from it and the device the inspired fraction is estimated
    fio2_fraction double, -- the inspired fraction where it was charted or is printed on the mask
    ended_at timestamp -- until when the device is in force, where charted
);
