import numpy as np, json
from scipy.optimize import minimize, least_squares
from scipy.stats import chi2
# three lots, three classes (sound dropped), own covariances
def cov(p,n,phi):
    p=np.array(p); return phi*(np.diag(p)-np.outer(p,p))/n
f=np.array([.045,.030,.012]); s=np.array([.018,.013,.005]); w=np.array([.24,.20,.055])
Vf,Vs,Vw=cov(f,480,1.5),cov(s,420,1.0),cov(w,300,2.2)
rows=[]
for Ym,sd in [(None,None),(0.90,0.01),(0.80,0.002)]:
    L=[np.linalg.cholesky(np.linalg.inv(V)).T for V in (Vf,Vs,Vw)]
    def res(t):
        ss,ww,Y=t[:3],t[3:6],t[6]
        ff=Y*ss+(1-Y)*ww
        r=np.concatenate([L[0]@(f-ff),L[1]@(s-ss),L[2]@(w-ww)])
        if Ym is not None: r=np.append(r,(Y-Ym)/sd)
        return r
    best=least_squares(res,np.concatenate([s,w,[.87]]),xtol=1e-15,ftol=1e-15,gtol=1e-15,method='lm')
    t=best.x; J=2*best.cost; df=2 if Ym is None else 3
    C=np.linalg.inv(best.jac.T@best.jac)
    # analytic jacobian covariance
    ss,ww,Y=t[:3],t[3:6],t[6]
    I=np.eye(3);Z=np.zeros((3,3))
    G=np.block([[Y*I,(1-Y)*I,(ss-ww)[:,None]],[I,Z,np.zeros((3,1))],[Z,I,np.zeros((3,1))]])
    Vi=np.linalg.inv(np.block([[Vf,Z,Z],[Z,Vs,Z],[Z,Z,Vw]]))
    if Ym is not None:
        G=np.vstack([G,[0]*6+[1]]); Vi=np.block([[Vi,np.zeros((9,1))],[np.zeros((1,9)),np.array([[sd**-2]])]])
    C=np.linalg.inv(G.T@Vi@G)
    ff=Y*ss+(1-Y)*ww
    print(Ym,sd,'Y',Y,'J',J,'p',chi2.sf(J,df),'sdY',C[6,6]**.5)
    rows.append([Ym if Ym else '',sd if sd else '',Y,C[6,6]**.5,J,chi2.sf(J,df),*ff,*ss,*ww,*np.sqrt(np.diag(C)[:6])])
import csv
with open('streams_scipy.csv','w') as o:
    c=csv.writer(o,lineterminator='\n')
    c.writerow('yield_weighed,yield_sd,yield,yield_se,chi_squared,p,f1,f2,f3,s1,s2,s3,w1,w2,w3,se_s1,se_s2,se_s3,se_w1,se_w2,se_w3'.split(','))
    for r in rows: c.writerow([repr(float(x)) if x!='' else '' for x in r])
