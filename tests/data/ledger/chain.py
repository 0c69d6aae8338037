import hashlib, json
def canonical(v): return json.dumps(v, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
def add(entries, at, who, why, kind, body):
    e = {"at": at, "body": body, "form": 1, "kind": kind, "previous": entries[-1]["hash"] if entries else "0"*64,
         "seq": len(entries) + 1, "who": who, "why": why}
    e["hash"] = hashlib.sha256(canonical(e).encode()).hexdigest()
    entries.append(e)
E=[]
add(E,"2026-09-18T05:00:00Z","acinus",None,"ledger-begun",{"program":"acinus 0.1.0"})
add(E,"2026-09-18T05:01:00Z","Žofie \"lab\"",None,"load-opened",{"load":"HV-0417","grower":"Höfer & sons","block":None,"variety":"Blue Portugal","bins":8})
D={"ticket":"W 1182","gross_kg":"14200.5","truck_tare_kg":"2250","bin_tare_kg":"500","net_kg":"11450.5","picked":None,"received":"2026-09-18T06:40","sampled":None,"picking":"machine","destemmed":False,"sampling_point":"bin","fruit_celsius":"14.5","wet":"dew","free_juice":"some","bins_kg":{"2":"510.5","10":"480"}}
add(E,"2026-09-18T06:45:00Z","Žofie \"lab\"",None,"delivery-recorded",{"load":"HV-0417","delivery":D})
D=dict(D,ticket="W 1183")
add(E,"2026-09-18T06:47:00Z","Žofie \"lab\"","misread: 3,\nnot 2","delivery-recorded",{"load":"HV-0417","delivery":D})
json.dump({"schema":"acinus-ledger/1","head":{"entries":len(E),"hash":E[-1]["hash"]},"entries":E},open('chain.json','w'),indent=1,ensure_ascii=False)
print(canonical({k:E[0][k] for k in E[0] if k!="hash"})); print(E[0]["hash"]); print(E[-1]["hash"])
