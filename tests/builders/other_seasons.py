"""Three seasons that are not the demo, as the text of their tables, with invented varieties and labs."""

import math

from southern_climate import HIGH, LOW, SPREAD

SWING = [(k, 9 - 6 * math.cos(k * math.pi / 26)) for k in range(1, 53)]  # minima of a year [°C]

SOUTHERN = {  # autumn deliveries that stand still in a cold winter; a tunnel that is heated until spring
    "season.toml": """\
name = "South"
currency = "AUD"
first_week = "2027-W06"
weeks = 60
service_level = 0.9
hourly_wage = 30
persistence = 0.36
""",
    "varieties.csv": """\
variety,group,sale_price,markdown_price,saleable_weeks
Grevillea 'Tirrawind',shrub,14,5,20
Correa 'Lowbanks',shrub,11,,
""",
    "stages.csv": """\
applies_to,stage,place,runs_on,typical,base_temperature,upper_threshold,batches_cv,plants_cv,time_level,survival,\
survival_sd,survival_p5,survival_p95,survived,of,survival_level,cold_below,cold_loss,heat_above,heat_loss,share_of,\
plants_per_m2,cost,minutes
shrub,arrival,tunnel,weeks,0,,,,,,0.96,0.03,,,,,batch,4,0.2,24,0.15,entering,600,0,0.1
shrub,acclimatisation,tunnel,weeks,5,,,0.15,0.12,season 0.4 batch 0.6,0.8,0.09,,,,,season 0.3 variety 0.2 batch 0.5,\
6,0.1,26,0.1,entering,400,0.1,0.5
shrub,growing on,tunnel,degree-days,600,5,28,0.12,0.15,season 0.5 batch 0.5,,,0.85,0.98,,,batch,,,,,entering,60,0.4,\
0.6
shrub,hardening,yard,degree-days,500,5,28,0.1,0.15,variety,0.95,0.03,,,,,belief 0.5 batch 0.5,,,,,entering,30,0.1,0.3
""",
    "places.csv": """\
place,area,usable,cost_per_m2_week,warmer_by,held_above,shaded_by,first_week,last_week
tunnel,100,0.7,2.5,3,10,,,2027-W35
tunnel,100,0.7,1,2,,4,2027-W36,
yard,200,0.8,0.5,,,1,,
""",
    "climate.csv": "month,t_min,t_max,year_sd\n"
    + "".join(f"{month + 1},{LOW[month]},{HIGH[month]},{SPREAD[month]}\n" for month in range(12)),
    "price_list.csv": """\
lab,variety,form,from_quantity,unit_price,minimum,multiple,lead_weeks,first_week,last_week,deposit,freight_per_box,\
plants_per_box
Lab Sedge,Grevillea 'Tirrawind',plug,1,2.1,40,40,4,2027-W08,2027-W20,0.5,30,200
Lab Sedge,Grevillea 'Tirrawind',plug,400,1.8,40,40,4,2027-W08,2027-W20,0.5,30,200
Lab Sedge,Correa 'Lowbanks',plug,1,1.7,40,40,4,2027-W08,2027-W20,0.5,30,200
""",
    "targets.csv": """\
variety,week,target,p5,median,p95
Grevillea 'Tirrawind',2027-W48,180,,,
Grevillea 'Tirrawind',2028-W02,80,,,
Correa 'Lowbanks',2027-W50,100,,,
""",
    "orders.csv": """\
variety,week,quantity,lab
Grevillea 'Tirrawind',2027-W10,440,Lab Sedge
Correa 'Lowbanks',2027-W10,160,Lab Sedge
""",
}

OWN_NAMES = {  # stages by names of its own, losses in points of the delivery, two labs, a novelty that falls in price
    "season.toml": """\
name = "One variety"
currency = "USD"
first_week = "2027-W01"
weeks = 40
service_level = 0.8
hourly_wage = 18
""",
    "varieties.csv": """\
variety,group,sale_price,markdown_price,yearly_fall,lowest_price,saleable_weeks
Fern 'Quillmoor',fern,8,2.5,0.3,3,6
""",
    "stages.csv": """\
applies_to,stage,place,runs_on,typical,base_temperature,upper_threshold,batches_cv,plants_cv,time_level,survival,\
survival_sd,survival_p5,survival_p95,survived,of,survival_level,cold_below,cold_loss,heat_above,heat_loss,share_of,\
plants_per_m2,cost,minutes
fern,wean,mist,weeks,3,,,0.2,0.15,batch,0.82,0.06,,,,,batch,,,,,original,500,0.1,0.4
fern,tray,mist,weeks,6,,,0.15,0.2,season 0.5 batch 0.5,0.92,0.03,,,,,batch,,,,,original,150,0.2,0.5
fern,pot,bed,weeks,8,,,0.1,0.25,batch,,,,,57,60,belief,,,,,original,40,0.5,1
fern,sort,bed,weeks,0,,,,,,0.96,0,,,,,plant,,,,,original,40,0.05,0.2
""",
    "places.csv": """\
place,area,usable,cost_per_m2_week,first_week,last_week
mist,20,0.8,4,,
bed,60,0.9,1,,2027-W20
bed,60,0.9,2.2,2027-W21,
""",
    "price_list.csv": """\
lab,variety,form,from_quantity,unit_price,minimum,multiple,lead_weeks,first_week,last_week,deposit,freight_per_box,\
plants_per_box
Lab One,Fern 'Quillmoor',cell,1,1.1,50,50,1,2027-W02,2027-W12,0,12,150
Lab Two,Fern 'Quillmoor',cell,1,1.3,25,25,1,2027-W02,2027-W12,0.3,9,100
Lab Two,Fern 'Quillmoor',cell,200,1.05,25,25,1,2027-W02,2027-W12,0.3,9,100
""",
    "targets.csv": """\
variety,week,target,p5,median,p95
Fern 'Quillmoor',2027-W22,120,,,
Fern 'Quillmoor',2027-W25,,60,90,150
Fern 'Quillmoor',2027-W30,70,,,
""",
    "orders.csv": """\
variety,week,quantity,lab
Fern 'Quillmoor',2027-W03,250,Lab One
Fern 'Quillmoor',2027-W09,225,Lab Two
""",
}

FEW = {  # a dozen plants of each, wide ranges, weekly climate, weather that lasts
    "season.toml": """\
name = "Few"
currency = "GBP"
first_week = "2027-W08"
weeks = 44
service_level = 0.7
hourly_wage = 12
persistence = 0.6
""",
    "varieties.csv": """\
variety,group,sale_price,markdown_price,saleable_weeks
Orchid 'Veldane',orchid,38,15,4
Orchid 'Marrowby',orchid,45,10,
""",
    "stages.csv": """\
applies_to,stage,place,runs_on,typical,base_temperature,upper_threshold,batches_cv,plants_cv,time_level,survival,\
survival_sd,survival_p5,survival_p95,survived,of,survival_level,cold_below,cold_loss,heat_above,heat_loss,share_of,\
plants_per_m2,cost,minutes
orchid,deflasking,house,weeks,2,,,0.3,0.3,batch,,,0.5,0.99,,,batch,12,0.3,,,entering,200,0.3,3
orchid,first pot,house,degree-days,500,8,25,0.25,0.3,batch,,,0.6,0.97,,,season 0.5 batch 0.5,,,,,entering,50,0.8,4
orchid,second pot,house,weeks,6,,,0.3,0.4,batch,,,0.7,0.99,,,variety,,,,,entering,16,1.5,5
""",
    "places.csv": """\
place,area,usable,cost_per_m2_week,warmer_by,held_above
house,6,0.8,6,6,12
""",
    "climate.csv": "week,t_min,t_max,year_sd\n"
    + "".join(f"{week},{low:.2f},{4 + 4 * low / 3:.2f},1.8\n" for week, low in SWING),
    "price_list.csv": """\
lab,variety,form,from_quantity,unit_price,minimum,multiple,lead_weeks,first_week,last_week,deposit,freight_per_box,\
plants_per_box
Lab Oriel,Orchid 'Veldane',flask,1,4,6,6,2,2027-W08,2027-W20,0,15,24
Lab Oriel,Orchid 'Marrowby',flask,1,5,6,6,2,2027-W08,2027-W20,0,15,24
""",
    "targets.csv": """\
variety,week,target,p5,median,p95
Orchid 'Veldane',2027-W32,5,,,
Orchid 'Veldane',2027-W36,3,,,
Orchid 'Marrowby',2027-W44,,3,5,9
""",
    "orders.csv": """\
variety,week,quantity,lab
Orchid 'Veldane',2027-W10,12,Lab Oriel
Orchid 'Veldane',2027-W14,6,Lab Oriel
Orchid 'Marrowby',2027-W12,12,Lab Oriel
""",
}
