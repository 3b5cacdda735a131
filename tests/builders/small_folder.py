"""The tables of a small sound season that tests damage."""

TEXTS = {
    "season.toml": """\
name = "A small season"
currency = "EUR"
first_week = "2026-W40"
weeks = 70
service_level = 0.9
budget = 5000
""",
    "varieties.csv": """\
variety,group,pot,sale_price,saleable_weeks,note
Hosta 'Ambrel',hosta,1 l,9.50,26,
Hosta 'Belwin',hosta,1 l,8.50,26,
Calla 'Corvane',calla,12 cm,9.80,12,new here
""",
    "stages.csv": """\
applies_to,stage,place,runs_on,typical,batches_cv,plants_cv,time_level,survival,survival_sd,survival_p5,\
survival_p95,survived,of,survival_level,share_of,plants_per_m2,cost
hosta,acclimatisation,house,weeks,4,0.15,0.1,batch,0.85,0.07,,,,,season 0.3 variety 0.2 batch 0.5,entering,478,0.08
hosta,growing on,house,weeks,10,0.15,0.1,batch,,,0.9,0.98,,,batch,entering,69,0.4
hosta,grading,shade,weeks,0,,,,,,,,95,100,belief,entering,36,
calla,acclimatisation,house,weeks,5,0.2,0.1,batch,0.8,0.05,,,,,batch,original,478,0.08
calla,growing on,house,weeks,9,0.2,0.1,batch,0.89,0.03,,,,,batch,original,69,0.4
calla,grading,shade,weeks,0,,,,0.91,0,,,,,plant,original,36,
""",
    "places.csv": """\
place,area,usable,cost_per_m2_week
house,80,0.6,3.20
shade,120,0.75,1.40
""",
    "price_list.csv": """\
lab,variety,form,from_quantity,unit_price,minimum,multiple,lead_weeks,first_week,last_week,deposit,freight_per_box,plants_per_box
North Lab,Hosta 'Ambrel',plug,1,1.45,72,72,16,2027-W08,2027-W16,0.25,26.00,288
North Lab,Hosta 'Ambrel',plug,720,1.25,72,72,16,2027-W08,2027-W16,0.25,26.00,288
North Lab,Hosta 'Belwin',plug,1,1.55,72,72,16,2027-W08,2027-W16,0.25,26.00,288
South Lab,Calla 'Corvane',vessel,1,1.10,100,50,16,2027-W10,2027-W18,0.3,18.00,500
""",
    "targets.csv": """\
variety,week,target,p5,median,p95,promised,note
Hosta 'Ambrel',2027-W41,400,,,,,
Hosta 'Belwin',2027-W41,250,,,,0.8,
Calla 'Corvane',2027-W40,,120,150,200,,
""",
    "orders.csv": """\
variety,week,quantity,lab
Hosta 'Ambrel',2027-W10,504,North Lab
Calla 'Corvane',2027-W11,200,South Lab
""",
}

MULTIPLIED = {
    "on_hand.csv": """\
variety,stage,quantity,since,note
Hosta 'Belwin',growing on,150,2026-W38,left in autumn
""",
    "profiles.csv": """\
profile,week,weight,note
early,1,3,
early,2,2,
early,3,0,
late,1,1,guessed
late,2,4,
""",
    "climate.csv": "month,t_min,t_max,year_sd\n"
    + "".join(f"{month},{month},{month + 8},1.5\n" for month in range(1, 13)),
    "cultures.csv": """\
variety,lab,explants,lines,start,start_weeks,start_contamination,start_contamination_sd,start_death,cycle_weeks,\
multiplication,multiplication_cv,multiplication_level,explants_cv,contamination,contamination_sd,\
contamination_level,explants_per_vessel,most_cycles,off_types,rooting_weeks,rooting,rooting_sd,rooting_level,\
rooting_per_vessel,deflasking,enters,hood_hours,shelf_places,minutes_per_vessel,medium_per_vessel,cost_start,\
cost_per_explant,cost_per_vessel,source,note
Hosta 'Ambrel',,40,4,,6,0.22,0.1,0.1,5,1.9 2.2 2.4,0.2,season 0.2 batch 0.5 cycle 0.3,0.8,0.08 0.06,0.04,\
season 0.3 cycle 0.7,4,5,0.01 0.02,5,0.85,0.06,belief 0.4 cycle 0.6,10,0.97,acclimatisation,6.5,240,3.5,40,180.00,\
4.10,1.15,a guess,
Calla 'Corvane',Lab Aurin,20,,2026-W45,4,0.15,,,4,3,,batch,0,0.05,,plant,5,6,,4,0.9,,plant,12,,acclimatisation,,,,,,\
0.50,0.9,,
""",
    "divisions.csv": """\
variety,stock,price,first_weeks,round_weeks,divisions,divisions_cv,divisions_level,plants_cv,survival,\
survival_sd,survival_level,most_rounds,enters,place,plants_per_m2,cost,minutes,source,note
Hosta 'Ambrel',12,16.00,,52,1.6 1.9,0.15,season 0.5 variety 0.2 batch 0.3,0,0.95,0.03,season 0.5 batch 0.5,,\
growing on,house,16.5,0.25,3.0,,
Calla 'Corvane',30,,20,,4,,batch,0.6,0.9,,batch,3,acclimatisation,shade,20,,,,
""",
}
